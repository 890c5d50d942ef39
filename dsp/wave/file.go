package wave

import (
	"bytes"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"unicode/utf8"
)

// File is an output that appears under its name, complete, when it is
// committed, or not at all. Until then it has another name in the same folder,
// ".NAME.partial-XXXXXXXX", and a lock, by which [RemoveLeftovers] detects that
// its writer is still running.
//
// Errors of writing it are *OutputError and name the output, not the partial
// file.
type File struct {
	f       *os.File // nil once committed or aborted
	partial string
	asked   string // the path as the caller gave it
	path    string // the same with links followed
	replace bool
	written int64    // bytes
	keeps   bool     // an equal file may be there already
	late    bool     // it is compared at the end only
	equal   *os.File // the file that is there, while it is compared with what is written
	same    bool     // it was the same
	placed  bool     // the output has its name
	fresh   bool     // there was nothing to replace
	kept    *os.File // what the output replaces, while it may still have to come back
	backup  string   // its second name; "": none
}

// CreateFile begins an output. An existing file is an error (ErrExists) unless
// replace is set; one of the inputs, under any name, always is (ErrIsInput).
// The output takes over the permissions of a file that it replaces and, where
// the system permits, its owner.
func CreateFile(path string, replace bool, inputs []string) (*File, error) {
	return createFile(&File{asked: path, replace: replace}, inputs)
}

func createFile(f *File, inputs []string) (*File, error) {
	path := f.asked
	if strings.HasSuffix(path, string(filepath.Separator)) {
		return nil, fmt.Errorf("%s: %w; accepted: the name of a file, such as %s", path, ErrNotAFile, filepath.Join(path, "take.wav"))
	}
	target := path
	if real, err := filepath.EvalSymlinks(path); err == nil {
		target = real // a link stays one: what it names is replaced
	}
	old, err := os.Stat(target)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		old = nil
	case err != nil:
		return nil, &OutputError{path, "look for it", bare(err)}
	}
	for _, in := range inputs {
		if same(target, old, in) {
			return nil, fmt.Errorf("%s: %w (%s); accepted: a different output file", path, ErrIsInput, in)
		}
	}
	if err := mayReplace(path, target, old, f.replace || f.keeps); err != nil {
		return nil, err
	}
	f.path = target
	if err := f.begin(old); err != nil {
		return nil, &OutputError{path, "create it", bare(err)}
	}
	if f.keeps && !f.late && old != nil {
		f.equal, err = os.Open(target)
		if err != nil {
			f.Abort()
			return nil, &OutputError{path, "compare with it", bare(err)}
		}
	}
	return f, nil
}

// begin creates the partial file. Another run that removes leftovers may remove it
// before it is locked; then another one is created.
func (f *File) begin(old os.FileInfo) error {
	mode := os.FileMode(0o666)
	if old != nil {
		mode = old.Mode().Perm() // not open to more people, even while it is written
	}
	for range 16 {
		partial := partialName(f.path)
		file, err := os.OpenFile(partial, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode)
		if errors.Is(err, fs.ErrExist) {
			continue
		} else if err != nil {
			return err
		}
		if !lockOwn(file) {
			os.Remove(partial)
			file.Close()
			continue
		}
		if old != nil {
			if err := takeOver(file, old); err != nil {
				file.Close()
				os.Remove(partial)
				return err
			}
		}
		f.f, f.partial = file, partial
		return nil
	}
	return errors.New("another program removes every partial file")
}

// takeOver copies to a file the permissions of the file that it replaces and, where
// the system permits, the owner.
func takeOver(file *os.File, old os.FileInfo) error {
	keepOwner(file, old)
	now, err := file.Stat()
	if err != nil || now.Mode().Perm() == old.Mode().Perm() {
		return err
	}
	return file.Chmod(old.Mode().Perm())
}

// partialName is a name for the partial file of an output.
func partialName(path string) string {
	var suffix [4]byte
	rand.Read(suffix[:])
	return filepath.Join(filepath.Dir(path), "."+shortened(filepath.Base(path))+partialMark+hex.EncodeToString(suffix[:]))
}

const partialMark = ".partial-"

// mayReplace returns an error if a file at the output's path must not be
// replaced.
func mayReplace(path, target string, old os.FileInfo, replace bool) error {
	if old == nil {
		info, err := os.Lstat(target)
		switch {
		case err != nil:
			return nil
		case info.Mode()&fs.ModeSymlink != 0:
			return fmt.Errorf("%s: %w: found a link to a file that is not there; accepted: the name of a file", path, ErrNotAFile)
		case !replace: // another run has just written it
			return fmt.Errorf("%s: %w; accepted: a new name", path, ErrExists)
		}
		return nil
	}
	switch {
	case !old.Mode().IsRegular():
		return fmt.Errorf("%s: %w: found %s; accepted: the name of a file", path, ErrNotAFile, kindOf(old))
	case !replace:
		return fmt.Errorf("%s: %w; accepted: a new name", path, ErrExists)
	case old.Mode().Perm()&0o222 == 0:
		return &OutputError{path, "replace it", fmt.Errorf("found a read-only file; accepted: a new name, or a file that may be written: %w", fs.ErrPermission)}
	}
	return nil
}

// same reports whether an output path names an input. Names are compared as
// well, for files that are not there yet.
func same(out string, old os.FileInfo, in string) bool {
	if info, err := os.Stat(in); err == nil && old != nil {
		return os.SameFile(old, info)
	}
	a, errA := os.Stat(filepath.Dir(out))
	b, errB := os.Stat(filepath.Dir(in))
	return errA == nil && errB == nil && os.SameFile(a, b) && filepath.Base(out) == filepath.Base(in)
}

// shortened shortens a name to leave room for a suffix: file systems accept up
// to 255 bytes.
func shortened(name string) string {
	if len(name) <= 200 {
		return name
	}
	end := 200
	for end > 0 && !utf8.RuneStart(name[end]) {
		end--
	}
	return name[:end]
}

var errFinished = errors.New("already committed or abandoned")

// Name is the output's path as CreateFile was given it.
func (f *File) Name() string { return f.asked }

// Write appends to the output.
func (f *File) Write(b []byte) (int, error) {
	if f.f == nil {
		return 0, errFinished
	}
	if f.equal != nil && f.written > 0 { // the first part is compared at the end: WriteAt may change it
		there := make([]byte, len(b))
		if n, _ := f.equal.ReadAt(there, f.written); n < len(b) || !bytes.Equal(there, b) {
			return 0, f.differs()
		}
	}
	n, err := f.f.Write(b)
	f.written += int64(n)
	return n, f.failed("write it", err)
}

func (f *File) differs() error {
	return fmt.Errorf("%s: %w, and is another; accepted: a new name", f.asked, ErrExists)
}

// Kept reports, after Commit, that the same file was there already and has been left
// as it was.
func (f *File) Kept() bool { return f.same }

// WriteAt writes over a part of the output.
func (f *File) WriteAt(b []byte, offset int64) (int, error) {
	if f.f == nil {
		return 0, errFinished
	}
	n, err := f.f.WriteAt(b, offset)
	return n, f.failed("write it", err)
}

// failed converts an error of the partial file to one of the output.
func (f *File) failed(doing string, err error) error {
	if err == nil {
		return nil
	}
	err = bare(err)
	if strings.HasPrefix(doing, "write") {
		err = spaceMissing(err, f.written, 0)
	}
	return &OutputError{f.asked, doing, err}
}

// Abort removes what was written; after Commit it does nothing.
func (f *File) Abort() error {
	if f.f == nil {
		return nil
	}
	err := os.Remove(f.partial)
	f.f.Close()
	if f.equal != nil {
		f.equal.Close()
		f.equal = nil
	}
	f.f = nil
	return err
}
