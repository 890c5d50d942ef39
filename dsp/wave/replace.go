package wave

import (
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"unicode/utf8"
)

// File is an output that appears under its name when it is committed, whole,
// or not at all. Until then it has a name of its own in the same folder:
// ".NAME.partial-XXXXXXXX".
type File struct {
	f       *os.File // nil once committed or aborted
	partial string
	path    string
	replace bool
}

// CreateFile begins an output. An existing file is an error (ErrExists) unless
// replace is set; one of the inputs, under whatever name, always is
// (ErrIsInput).
func CreateFile(path string, replace bool, inputs []string) (*File, error) {
	target := path
	if real, err := filepath.EvalSymlinks(path); err == nil {
		target = real // a link stays one: what it names is replaced
	}
	old, err := os.Stat(target)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		old = nil
	case err != nil:
		return nil, err
	}
	for _, in := range inputs {
		if same(target, old, in) {
			return nil, fmt.Errorf("%s: %w (%s); accepted: an output of its own", path, ErrIsInput, in)
		}
	}
	if err := mayReplace(path, target, old, replace); err != nil {
		return nil, err
	}
	var suffix [4]byte
	rand.Read(suffix[:])
	partial := filepath.Join(filepath.Dir(target), "."+shortened(filepath.Base(target))+".partial-"+hex.EncodeToString(suffix[:]))
	f, err := os.OpenFile(partial, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	if err != nil {
		// The name that was asked for tells more than that of the partial file.
		if e := (*fs.PathError)(nil); errors.As(err, &e) {
			err = &fs.PathError{Op: "create", Path: path, Err: e.Err}
		}
		return nil, err
	}
	return &File{f, partial, target, replace}, nil
}

// mayReplace says why what is at the output's path, if anything, must stay.
func mayReplace(path, target string, old os.FileInfo, replace bool) error {
	if old == nil {
		if _, err := os.Lstat(target); err == nil {
			return fmt.Errorf("%s: found a link to a file that is not there; accepted: the name of a file", path)
		}
		return nil
	}
	switch {
	case !old.Mode().IsRegular():
		return fmt.Errorf("%s: found %s; accepted: the name of a file", path, kindOf(old))
	case !replace:
		return fmt.Errorf("%s: %w; accepted: a new name", path, ErrExists)
	case old.Mode().Perm()&0o222 == 0:
		return fmt.Errorf("%s: found a read-only file; accepted: a new name, or a file that may be written: %w", path, fs.ErrPermission)
	}
	return nil
}

// same tells whether an output path names an input. Names are compared as
// well, for files that are not there yet.
func same(out string, old os.FileInfo, in string) bool {
	if info, err := os.Stat(in); err == nil && old != nil {
		return os.SameFile(old, info)
	}
	a, errA := os.Stat(filepath.Dir(out))
	b, errB := os.Stat(filepath.Dir(in))
	return errA == nil && errB == nil && os.SameFile(a, b) && filepath.Base(out) == filepath.Base(in)
}

// shortened leaves room for more in a name: file systems take up to 255 bytes.
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

// Write appends to the output.
func (f *File) Write(b []byte) (int, error) {
	if f.f == nil {
		return 0, errFinished
	}
	return f.f.Write(b)
}

// WriteAt writes over a part of the output.
func (f *File) WriteAt(b []byte, offset int64) (int, error) {
	if f.f == nil {
		return 0, errFinished
	}
	return f.f.WriteAt(b, offset)
}

// Commit makes the output appear under its name, safely on the disk.
func (f *File) Commit() error {
	if f.f == nil {
		return fmt.Errorf("%s: %w", f.path, errFinished)
	}
	err := f.f.Sync()
	if closing := f.f.Close(); err == nil {
		err = closing
	}
	f.f = nil
	if err == nil {
		err = f.place()
	}
	if err != nil {
		os.Remove(f.partial)
		return fmt.Errorf("%s: %w", f.path, err)
	}
	// The new name itself must reach the disk. Not every file system can sync a
	// folder; the file is whole in any case.
	if dir, err := os.Open(filepath.Dir(f.path)); err == nil {
		dir.Sync()
		dir.Close()
	}
	return nil
}

// place gives the file its name. A file that has come to be there in the
// meantime, from another run, is replaced only if that was asked for.
func (f *File) place() error {
	if f.replace {
		return os.Rename(f.partial, f.path)
	}
	err := os.Link(f.partial, f.path) // unlike a rename, fails where a file is
	switch {
	case err == nil:
		return os.Remove(f.partial)
	case errors.Is(err, fs.ErrExist):
		return ErrExists
	}
	if _, err := os.Lstat(f.path); err == nil { // a file system without links
		return ErrExists
	}
	return os.Rename(f.partial, f.path)
}

// Abort removes what was written; after Commit it does nothing.
func (f *File) Abort() error {
	if f.f == nil {
		return nil
	}
	f.f.Close()
	f.f = nil
	return os.Remove(f.partial)
}
