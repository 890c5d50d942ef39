package wave

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"

	"github.com/boothbench/boothbench/dsp"
)

// begun is an output in a folder with some text in it.
func begun(t *testing.T, path, text string, replace bool) *File {
	t.Helper()
	f, err := CreateFile(path, replace, nil)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.Write([]byte(text)); err != nil {
		t.Fatal(err)
	}
	return f
}

// held is what a folder holds: names and texts, "a=one b=two".
func held(t *testing.T, folder string) string {
	t.Helper()
	entries, err := os.ReadDir(folder)
	if err != nil {
		t.Fatal(err)
	}
	var all []string
	for _, e := range entries {
		text, _ := os.ReadFile(filepath.Join(folder, e.Name()))
		all = append(all, e.Name()+"="+string(text))
	}
	return strings.Join(all, " ")
}

// Outputs that belong together appear together, and if the last cannot, none does:
// what was there before is there again.
func TestCommitTogether(t *testing.T) {
	for _, c := range []struct{ before, last, want string }{
		{"", "", "a=new a b=new b c=new c"},
		{"", "c", "c=theirs"},
		{"a", "", "a=new a b=new b c=new c"},
		{"a", "c", "a=old c=theirs"},
		{"ab", "c", "a=old b=old c=theirs"},
	} {
		folder := t.TempDir()
		at := func(name string) string { return filepath.Join(folder, name) }
		for _, name := range c.before {
			if err := os.WriteFile(at(string(name)), []byte("old"), 0o666); err != nil {
				t.Fatal(err)
			}
		}
		outputs := []Output{begun(t, at("a"), "new a", true), begun(t, at("b"), "new b", true), begun(t, at("c"), "new c", false)}
		if c.last != "" { // another run is faster with the last
			if err := os.WriteFile(at(c.last), []byte("theirs"), 0o666); err != nil {
				t.Fatal(err)
			}
		}
		err := CommitTogether(outputs...)
		if failed := c.last != ""; failed != errors.Is(err, ErrExists) || !failed && err != nil {
			t.Errorf("%+v: %v", c, err)
		}
		if got := held(t, folder); got != c.want {
			t.Errorf("%+v: the folder holds %q", c, got)
		}
	}
}

// A WAV is complete before any output gets its name.
func TestCommitTogetherCompletesFirst(t *testing.T) {
	folder := t.TempDir()
	w, err := Create(filepath.Join(folder, "a.wav"), Format{Rate: 8000, Channels: 1, Encoding: Integer, Bits: 16}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Write(dsp.NewBlock(1, 100)); err != nil {
		t.Fatal(err)
	}
	trace := begun(t, filepath.Join(folder, "a.csv"), "frame", false)
	full, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
	if err != nil {
		t.Skip("no /dev/full:", err)
	}
	w.file().f.Close()
	w.file().f = full
	err = CommitTogether(trace, w)
	if !errors.Is(err, syscall.ENOSPC) || !strings.HasPrefix(err.Error(), filepath.Join(folder, "a.wav")+": ") {
		t.Errorf("error %v, want one of a full disk that names a.wav", err)
	}
	if got := held(t, folder); got != "" {
		t.Errorf("left behind: %s", got)
	}
}

// Several runs with one output and without replace: one of them wins, all the others
// are refused, and the file is the winner's.
func TestRacingWriters(t *testing.T) {
	for round := range 20 {
		folder := t.TempDir()
		path := filepath.Join(folder, "take.wav")
		const writers = 6
		var outputs [writers]*File
		for i := range outputs {
			outputs[i] = begun(t, path, strings.Repeat(string(rune('a'+i)), 1000), false)
		}
		var errs [writers]error
		var group sync.WaitGroup
		for i := range outputs {
			group.Go(func() { errs[i] = outputs[i].Commit() })
		}
		group.Wait()
		winner := slices.Index(errs[:], nil)
		if winner < 0 {
			t.Fatalf("round %d: nobody wins: %v", round, errs)
		}
		for i, err := range errs {
			if i != winner && !errors.Is(err, ErrExists) {
				t.Errorf("round %d: a loser's error is %v, want ErrExists", round, err)
			}
		}
		if got := held(t, folder); got != "take.wav="+strings.Repeat(string(rune('a'+winner)), 1000) {
			t.Errorf("round %d: %.40q…, want the sound of writer %d alone", round, got, winner)
		}
	}
}

// A file that replaces another has its permissions, whatever the umask, and is never
// open to more people while it is written.
func TestReplacingKeepsPermissions(t *testing.T) {
	folder := t.TempDir()
	path := filepath.Join(folder, "take.wav")
	for _, mode := range []os.FileMode{0o600, 0o640, 0o666, 0o777, 0o222} {
		os.Remove(path)
		if err := os.WriteFile(path, []byte("old"), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(path, mode); err != nil {
			t.Fatal(err)
		}
		f := begun(t, path, "new", true)
		if now, err := os.Stat(f.partial); err != nil || now.Mode().Perm()&^mode != 0 {
			t.Errorf("%o: the partial file has %v (%v)", mode, now.Mode(), err)
		}
		if err := f.Commit(); err != nil {
			t.Fatal(err)
		}
		if now, err := os.Stat(path); err != nil || now.Mode().Perm() != mode {
			t.Errorf("%o became %v (%v)", mode, now.Mode(), err)
		}
	}
}

// Errors of outputs name the output, not the partial file.
func TestOutputErrorsNameTheOutput(t *testing.T) {
	folder := t.TempDir()
	path := filepath.Join(folder, "take.wav")
	for name, spoil := range map[string]func(*File) error{
		"write": func(f *File) error {
			f.f.Close()
			_, err := f.Write([]byte("x"))
			return err
		},
		"sync": func(f *File) error {
			f.f.Close()
			return f.Commit()
		},
		"rename": func(f *File) error {
			os.Remove(f.partial)
			return f.Commit()
		},
	} {
		for _, replace := range []bool{false, true} {
			err := spoil(begun(t, path, "x", replace))
			var failed *OutputError
			if !errors.As(err, &failed) || failed.Path != path || strings.Contains(err.Error(), "partial-") {
				t.Errorf("%s (replace %v): %v", name, replace, err)
			}
		}
	}
}

// An existing output with the same bytes is left as it was. One with other bytes stays as
// well, and the error comes with the first difference.
func TestAnEqualOutputIsKept(t *testing.T) {
	folder := t.TempDir()
	path := filepath.Join(folder, "take.wav")
	f := Format{Rate: 8000, Channels: 1, Encoding: Integer, Bits: 16}
	sound := dsp.NewBlock(1, 200_000)
	for n := range sound[0] {
		sound[0][n] = float64(n%100) / 128
	}
	once := func(b dsp.Block) (*Writer, error) {
		w, err := Create(path, f, Options{Keep: true})
		if err != nil {
			t.Fatal(err)
		}
		defer w.Abort()
		for from := 0; from < b.Frames(); from += 50_000 {
			if err := w.Write(dsp.Block{b[0][from:min(b.Frames(), from+50_000)]}); err != nil {
				return w, err
			}
		}
		return w, w.Commit()
	}
	if w, err := once(sound); err != nil || w.Kept() {
		t.Fatalf("the first time: %v, kept %v", err, w.Kept())
	}
	before, _ := os.Stat(path)
	if w, err := once(sound); err != nil || !w.Kept() {
		t.Errorf("the same again: %v, kept %v", err, w.Kept())
	}
	for frame, least := range map[int]int64{0: 0, 60_000: 50_000, 199_999: 150_000} {
		other := dsp.Block{slices.Clone(sound[0])}
		other[0][frame] = -0.5
		w, err := once(other)
		if !errors.Is(err, ErrExists) || w.Frames() < least || frame == 60_000 && w.Frames() == 200_000 {
			t.Errorf("another at frame %d: %v after %d frames", frame, err, w.Frames())
		}
	}
	for _, other := range []dsp.Block{{sound[0][:199_999]}, {append(slices.Clone(sound[0]), 0)}} {
		if _, err := once(other); !errors.Is(err, ErrExists) {
			t.Errorf("of %d frames: %v", other.Frames(), err)
		}
	}
	after, _ := os.Stat(path)
	if left, _ := os.ReadDir(folder); !os.SameFile(before, after) || before.ModTime() != after.ModTime() || len(left) != 1 {
		t.Errorf("it has been touched, or %v is left behind", left)
	}
}
