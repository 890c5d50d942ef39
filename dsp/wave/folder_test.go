package wave

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// The error names what is in the place of a folder.
func TestMakeFolder(t *testing.T) {
	at := func(name string) string { return filepath.Join(t.TempDir(), name) }
	file, dangling := at("file"), at("dangling")
	if err := os.WriteFile(file, nil, 0o666); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink("nowhere", dangling); err != nil {
		t.Skip("no links here:", err)
	}
	made := filepath.Join(at("a"), "b", "c")
	for range 2 { // it may be there already
		if err := MakeFolder(made); err != nil {
			t.Fatal(err)
		}
	}
	if info, err := os.Stat(made); err != nil || !info.IsDir() {
		t.Errorf("%v, %v", info, err)
	}
	for path, want := range map[string]string{file: "found a file; accepted: a folder", dangling: "found a link to nothing that is there; accepted: a folder", filepath.Join(file, "under"): "not a directory"} {
		err := MakeFolder(path)
		output := (*OutputError)(nil)
		if !errors.As(err, &output) || !strings.HasPrefix(err.Error(), path+": cannot make this folder: ") || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", path, err, want)
		}
	}
}
