package wave

import (
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
)

// Partial files whose writer has ended are removed and listed; those of a writer that
// is still there, and all other files, stay.
func TestRemoveLeftovers(t *testing.T) {
	if !locksWork {
		t.Skip("no file locks on", runtime.GOOS)
	}
	folder := t.TempDir()
	for _, name := range []string{
		".ep1.wav.partial-0123abcd", ".a.partial-b.wav.partial-ffffffff", // leftovers
		"ep1.wav", ".ep1.wav.partial-0123abc", ".ep1.wav.partial-0123abcg", "ep1.wav.partial-0123abcd", ".partial-0123abcd", ".ep1.wav.partial-0123ABCD",
	} {
		if err := os.WriteFile(filepath.Join(folder, name), []byte("12345"), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Mkdir(filepath.Join(folder, ".folder.partial-01234567"), 0o777); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink("ep1.wav", filepath.Join(folder, ".link.partial-01234567")); err != nil {
		t.Fatal(err)
	}
	live := begun(t, filepath.Join(folder, "ep2.wav"), "live", false)
	var removed []Leftover
	err := RemoveLeftovers(folder, func(l Leftover) { removed = append(removed, l) })
	if err != nil || len(removed) != 2 {
		t.Fatalf("removed %v (%v), want 2", removed, err)
	}
	for i, want := range []string{"a.partial-b.wav", "ep1.wav"} {
		if removed[i].Output != want || removed[i].Bytes != 5 || !strings.Contains(removed[i].String(), filepath.Base(removed[i].Path)) {
			t.Errorf("%v, want one of %s with 5 bytes", removed[i], want)
		}
	}
	if left, _ := os.ReadDir(folder); len(left) != 9 {
		t.Errorf("what stays: %v", left)
	}
	if err := live.Commit(); err != nil {
		t.Errorf("the output that was being written: %v", err)
	}
}

// Removing leftovers removes no file of a run that is still writing.
func TestLeftoversAgainstWriters(t *testing.T) {
	if !locksWork {
		t.Skip("no file locks on", runtime.GOOS)
	}
	folder := t.TempDir()
	stop := make(chan struct{})
	var group, sweeping sync.WaitGroup
	sweeping.Go(func() {
		for {
			select {
			case <-stop:
				return
			default:
				// A file may be taken in the moment between its making and its lock; the
				// writer then makes another.
				if err := RemoveLeftovers(folder, func(l Leftover) { t.Logf("ahead of its lock: %v", l) }); err != nil {
					t.Error(err)
				}
				runtime.Gosched()
			}
		}
	})
	for w := range 4 {
		group.Go(func() {
			for i := range 50 {
				f, err := CreateFile(filepath.Join(folder, fmt.Sprintf("%d-%d", w, i)), i%2 == 0, nil)
				if err != nil {
					t.Error(err)
					continue
				}
				f.Write([]byte("sound"))
				if err := f.Commit(); err != nil {
					t.Error(err)
				}
			}
		})
	}
	group.Wait()
	close(stop)
	sweeping.Wait()
	if left, _ := os.ReadDir(folder); len(left) != 200 {
		t.Errorf("%d outputs, want 200", len(left))
	}
}

// Temporary folders whose maker has ended are removed with their content; those in use stay.
func TestRemoveLeftoverFolders(t *testing.T) {
	if !locksWork {
		t.Skip("no file locks on", runtime.GOOS)
	}
	t.Setenv("TMPDIR", t.TempDir())
	live, err := CreateFolder()
	if err != nil {
		t.Fatal(err)
	}
	dead := filepath.Join(os.TempDir(), "boothbench-0123abcd")
	for _, folder := range []string{dead, filepath.Join(dead, "sub"), filepath.Join(os.TempDir(), "boothbench-other")} {
		if err := os.Mkdir(folder, 0o700); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(dead, "sub", "in.wav"), []byte("1234567"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(live.Path(), filepath.Join(os.TempDir(), "boothbench-fedcba98")); err != nil {
		t.Fatal(err)
	}
	var removed []Leftover
	RemoveLeftoverFolders(func(l Leftover) { removed = append(removed, l) })
	if len(removed) != 1 || removed[0].Path != dead || removed[0].Bytes != 7 {
		t.Errorf("removed %v, want %s of 7 bytes", removed, dead)
	}
	if left, _ := os.ReadDir(os.TempDir()); len(left) != 3 {
		t.Errorf("left: %v, want 3", left)
	}
	if err := live.Remove(); err != nil {
		t.Error(err)
	}
	if left, _ := os.ReadDir(os.TempDir()); len(left) != 2 {
		t.Errorf("after Remove: %v, want 2", left)
	}
}
