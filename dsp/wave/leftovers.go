package wave

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/boothbench/boothbench/dsp"
)

// Leftover is a partial file whose writer has ended without removing it: it was
// killed, or the power failed.
type Leftover struct {
	Path   string
	Output string // the name that it would have got
	Bytes  int64
}

func (l Leftover) String() string {
	return fmt.Sprintf("%s: left over from an earlier run that was ended while it wrote %s, %s; it is removed", l.Path, l.Output, dsp.Plural(l.Bytes, "byte"))
}

// RemoveLeftovers removes from a folder the partial files whose writer has ended, and
// reports each just before it is removed. A writer holds a lock on its
// partial file, which the system opens when the process ends, however it ends.
func RemoveLeftovers(folder string, name func(Leftover)) error {
	entries, err := os.ReadDir(folder)
	if err != nil {
		return err
	}
	for _, e := range entries {
		output, ok := outputOf(e.Name())
		if !ok || !e.Type().IsRegular() {
			continue
		}
		l := Leftover{Path: filepath.Join(folder, e.Name()), Output: output}
		l.remove(name)
	}
	return nil
}

// outputOf is the name of a partial file's output.
func outputOf(name string) (string, bool) {
	hidden, isHidden := strings.CutPrefix(name, ".")
	at := strings.LastIndex(hidden, partialMark)
	if !isHidden || at < 1 {
		return "", false
	}
	suffix := hidden[at+len(partialMark):]
	return hidden[:at], len(suffix) == 8 && strings.Trim(suffix, "0123456789abcdef") == ""
}

// remove removes the file if nobody holds its lock.
func (l *Leftover) remove(name func(Leftover)) {
	f, err := os.Open(l.Path)
	if err != nil {
		return
	}
	defer f.Close() // and with it the lock
	if !lockFile(f) {
		return
	}
	info, err := f.Stat()
	if err != nil || !isStill(f, l.Path) {
		return
	}
	l.Bytes = info.Size()
	name(*l)
	os.Remove(l.Path)
}

// isStill reports whether an open file is still the one of its name.
func isStill(f *os.File, path string) bool {
	open, err := f.Stat()
	if err != nil {
		return false
	}
	named, err := os.Lstat(path)
	return err == nil && os.SameFile(open, named)
}

// lockOwn locks a partial file that was just created. It is false if another run has
// taken the file for a leftover in the moment before.
func lockOwn(f *os.File) bool {
	if !locksWork {
		return true
	}
	if !lockFile(f) && lockedByOther(f) {
		return false
	}
	return isStill(f, f.Name())
}
