//go:build linux || darwin || freebsd || netbsd || openbsd || dragonfly

package wave

import (
	"os"
	"path/filepath"
	"syscall"
	"testing"
)

// A file that replaces another has its owner, where the caller may give files away.
func TestReplacingKeepsTheOwner(t *testing.T) {
	if os.Getuid() != 0 {
		t.Skip("only root may give files away")
	}
	path := filepath.Join(t.TempDir(), "take.wav")
	if err := os.WriteFile(path, []byte("old"), 0o640); err != nil {
		t.Fatal(err)
	}
	if err := os.Chown(path, 12345, 23456); err != nil {
		t.Skip(err)
	}
	if err := begun(t, path, "new", true).Commit(); err != nil {
		t.Fatal(err)
	}
	now, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	if s := now.Sys().(*syscall.Stat_t); s.Uid != 12345 || s.Gid != 23456 || now.Mode().Perm() != 0o640 {
		t.Errorf("owner %d:%d with %v, want 12345:23456 with 640", s.Uid, s.Gid, now.Mode())
	}
}
