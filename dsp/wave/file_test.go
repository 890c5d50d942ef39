package wave

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/boothbench/boothbench/dsp"
)

func TestOutputsAreWholeOrNotThere(t *testing.T) {
	folder := t.TempDir()
	path := filepath.Join(folder, "take.wav")
	f := Format{Rate: 8000, Channels: 1, Encoding: Integer, Bits: 16}
	list := func() string {
		entries, err := os.ReadDir(folder)
		if err != nil {
			t.Fatal(err)
		}
		var names []string
		for _, e := range entries {
			names = append(names, e.Name())
		}
		return strings.Join(names, " ")
	}
	w, err := Create(path, f, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Write(dsp.Block{{1, 2}}); err != nil {
		t.Fatal(err)
	}
	if l := list(); !strings.HasPrefix(l, ".take.wav.partial-") || strings.Contains(l, " ") {
		t.Errorf("while writing: %s", l)
	}
	w.Abort()
	if l := list(); l != "" {
		t.Errorf("after Abort: %s", l)
	}
	write(t, path, f, Options{}, dsp.NewBlock(1, 5))
	if l := list(); l != "take.wav" {
		t.Errorf("after Commit: %s", l)
	}
	if _, err := Create(path, f, Options{}); !errors.Is(err, ErrExists) {
		t.Errorf("an existing file gives %v", err)
	}
	os.Symlink("take.wav", filepath.Join(folder, "link.wav"))
	os.Link(path, filepath.Join(folder, "hard.wav"))
	for _, name := range []string{"take.wav", "link.wav", "hard.wav", "./x/../take.wav"} {
		os.Mkdir(filepath.Join(folder, "x"), 0o777)
		_, err := Create(folder+"/"+name, f, Options{Replace: true, Inputs: []string{path}})
		if !errors.Is(err, ErrIsInput) {
			t.Errorf("%s over its input gives %v", name, err)
		}
	}
	if _, err := Create(filepath.Join(folder, "new.wav"), f, Options{Inputs: []string{filepath.Join(folder, "x/../new.wav")}}); !errors.Is(err, ErrIsInput) {
		t.Errorf("an input that is not there yet: %v", err)
	}
	os.Symlink(".", filepath.Join(folder, "self"))
	if _, err := Create(filepath.Join(folder, "new.wav"), f, Options{Inputs: []string{filepath.Join(folder, "self/new.wav")}}); !errors.Is(err, ErrIsInput) {
		t.Errorf("an input that is not there yet, by a linked folder: %v", err)
	}
	if _, err := Create(folder, f, Options{Replace: true}); err == nil || !strings.Contains(err.Error(), "folder") {
		t.Errorf("a folder gives %v", err)
	}
	if _, err := Create(path, Format{Rate: 8000, Channels: 1, Bits: 33}, Options{}); err == nil {
		t.Error("33 bits: no error")
	}
}

// Two runs with one output: the second to finish does not replace the first's.
func TestCommitDoesNotReplaceUnasked(t *testing.T) {
	folder := t.TempDir()
	path := filepath.Join(folder, "take.wav")
	f, err := CreateFile(path, false, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte("theirs"), 0o666); err != nil {
		t.Fatal(err)
	}
	if err := f.Commit(); !errors.Is(err, ErrExists) || !strings.Contains(err.Error(), "take.wav") {
		t.Errorf("Commit gives %v", err)
	}
	raw, _ := os.ReadFile(path)
	if left, _ := os.ReadDir(folder); string(raw) != "theirs" || len(left) != 1 {
		t.Errorf("%q in %v", raw, left)
	}
}

func TestOutputsThatMayNotBeReplaced(t *testing.T) {
	folder := t.TempDir()
	at := func(name string) string { return filepath.Join(folder, name) }
	os.WriteFile(at("locked.wav"), nil, 0o444)
	os.Symlink("nowhere.wav", at("dangling.wav"))
	for name, want := range map[string]string{
		"locked.wav": "read-only", "dangling.wav": "a link to a file that is not there",
		"no/such/folder.wav": "its folder does not exist", strings.Repeat("x", 300) + ".wav": "too long",
	} {
		if _, err := CreateFile(at(name), true, nil); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s gives %v, want an error with %q", name, err, want)
		}
	}
	for _, name := range []string{folder, folder + "/", at("new") + "/"} {
		if _, err := CreateFile(name, true, nil); !errors.Is(err, ErrNotAFile) {
			t.Errorf("%s gives %v, want ErrNotAFile", name, err)
		}
	}
	if left, _ := os.ReadDir(folder); len(left) != 2 {
		t.Errorf("left behind: %v", left)
	}
}

// Names of up to 255 bytes work, whatever they are made of; a link stays one.
func TestOutputNames(t *testing.T) {
	folder := t.TempDir()
	for _, name := range []string{strings.Repeat("ä", 125) + ".wav", "x" + strings.Repeat("ä", 125) + ".wav", "Harbour Street 🎙 №1.wav", "-.wav", ".wav"} {
		f, err := CreateFile(filepath.Join(folder, name), false, nil)
		if err != nil {
			t.Fatal(err)
		}
		if base := filepath.Base(f.partial); !utf8.ValidString(base) || len(base) > 255 {
			t.Errorf("%s: the partial file is called %q", name, base)
		}
		if err := f.Commit(); err != nil {
			t.Error(err)
		}
		if _, err := os.Stat(filepath.Join(folder, name)); err != nil {
			t.Error(err)
		}
	}
	os.WriteFile(filepath.Join(folder, "real.wav"), []byte("old"), 0o666)
	os.Symlink("real.wav", filepath.Join(folder, "link.wav"))
	f, err := CreateFile(filepath.Join(folder, "link.wav"), true, nil)
	if err != nil {
		t.Fatal(err)
	}
	f.Write([]byte("new"))
	if err := f.Commit(); err != nil {
		t.Fatal(err)
	}
	raw, _ := os.ReadFile(filepath.Join(folder, "real.wav"))
	if link, err := os.Readlink(filepath.Join(folder, "link.wav")); link != "real.wav" || string(raw) != "new" {
		t.Errorf("link %q (%v), file %q", link, err, raw)
	}
}
