package wave

import (
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// File is an output that appears under its name when it is committed, whole,
// or not at all. Until then it has a name of its own in the same folder:
// ".NAME.partial-XXXX".
type File struct {
	f    *os.File
	path string
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
	if old != nil {
		if !old.Mode().IsRegular() {
			return nil, fmt.Errorf("%s: found %s; accepted: the name of a file", path, kindOf(old))
		}
		if !replace {
			return nil, fmt.Errorf("%s: %w; accepted: a new name", path, ErrExists)
		}
	}
	var suffix [4]byte
	rand.Read(suffix[:])
	base := filepath.Base(target)
	if len(base) > 200 { // leave room in a name of at most 255 bytes
		base = base[:200]
	}
	partial := filepath.Join(filepath.Dir(target), "."+base+".partial-"+hex.EncodeToString(suffix[:]))
	f, err := os.OpenFile(partial, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	if err != nil {
		return nil, err
	}
	return &File{f, target}, nil
}

// same tells whether an output path names an input. Names are compared as
// well, for outputs that are not there yet.
func same(out string, old os.FileInfo, in string) bool {
	if info, err := os.Stat(in); err == nil && old != nil && os.SameFile(old, info) {
		return true
	}
	a, errA := filepath.Abs(out)
	b, errB := filepath.Abs(in)
	return errA == nil && errB == nil && a == b
}

// Write appends to the output.
func (f *File) Write(b []byte) (int, error) { return f.f.Write(b) }

// WriteAt writes over a part of the output.
func (f *File) WriteAt(b []byte, offset int64) (int, error) { return f.f.WriteAt(b, offset) }

// Commit makes the output appear under its name, safely on the disk.
func (f *File) Commit() error {
	if f.f == nil {
		return fmt.Errorf("%s: already committed or abandoned", f.path)
	}
	partial := f.f.Name()
	err := f.f.Sync()
	if closing := f.f.Close(); err == nil {
		err = closing
	}
	f.f = nil
	if err == nil {
		err = os.Rename(partial, f.path)
	}
	if err != nil {
		os.Remove(partial)
		return err
	}
	// The rename itself must reach the disk. Not every file system can sync a
	// folder; the file is whole in any case.
	if dir, err := os.Open(filepath.Dir(f.path)); err == nil {
		dir.Sync()
		dir.Close()
	}
	return nil
}

// Abort removes what was written; after Commit it does nothing.
func (f *File) Abort() error {
	if f.f == nil {
		return nil
	}
	partial := f.f.Name()
	f.f.Close()
	f.f = nil
	return os.Remove(partial)
}
