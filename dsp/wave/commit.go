package wave

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
)

// Output is a *File or a *Writer.
type Output interface {
	complete() error // writes what is pending
	file() *File
}

func (f *File) complete() error {
	if f.f == nil {
		return fmt.Errorf("%s: %w", f.asked, errFinished)
	}
	return nil
}

func (f *File) file() *File { return f }

// Commit makes the output appear under its name, synced to disk. If it fails,
// nothing remains.
func (f *File) Commit() error { return CommitTogether(f) }

// CommitUnsynced is Commit that does not wait for the disk: after a loss of power
// the file can be absent or empty. It is for receipts and the like, which can be
// made again.
func (f *File) CommitUnsynced() error { return commit(false, f) }

// CommitTogether makes several outputs appear, or none of them. All are on disk
// before the first gets its name; if one cannot get its name, those before it lose
// theirs, and the files that they replaced are restored. A process that is killed
// between two names leaves the first one only; no file system can rename several
// files at once.
func CommitTogether(outputs ...Output) error { return commit(true, outputs...) }

func commit(synced bool, outputs ...Output) (err error) {
	var files []*File
	for _, o := range outputs {
		if f := o.file(); f != nil { // no stream
			files = append(files, f)
		}
	}
	defer func() {
		if err == nil {
			return
		}
		for i := len(files) - 1; i >= 0; i-- {
			if undoing := files[i].undo(); undoing != nil {
				err = fmt.Errorf("%w\n%w", err, undoing)
			}
			files[i].Abort()
		}
	}()
	for _, o := range outputs {
		if err := o.complete(); err != nil {
			return err
		}
	}
	for _, f := range files {
		if !synced {
			break
		}
		if err := f.f.Sync(); err != nil {
			return f.failed("write it to the disk", err)
		}
	}
	for _, f := range files {
		if len(files) > 1 {
			f.keepOld()
		}
		if err := f.place(); err != nil {
			return err
		}
	}
	for _, f := range files {
		f.tidy()
		if synced {
			f.syncFolder()
		}
	}
	return nil
}

// place gives the file its name. A file that another run has created there in
// the meantime is replaced only if replacing was requested.
func (f *File) place() error {
	if f.replace {
		err := os.Rename(f.partial, f.path)
		f.placed = err == nil
		return f.failed("give it its name", err)
	}
	err := os.Link(f.partial, f.path) // unlike a rename, fails where a file is
	if withoutLinks(err) {
		if _, there := os.Lstat(f.path); there == nil {
			err = fs.ErrExist
		} else {
			err = os.Rename(f.partial, f.path)
		}
	}
	if errors.Is(err, fs.ErrExist) && f.keeps {
		return f.keep()
	}
	if errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("%s: %w, from another run that was faster", f.asked, ErrExists)
	}
	f.placed = err == nil
	return f.failed("give it its name", err)
}

// keep checks that the existing file equals the one that was written.
func (f *File) keep() error {
	there, err := os.Open(f.path)
	if err != nil {
		return f.failed("compare with it", err)
	}
	defer there.Close()
	written, err := os.Open(f.partial)
	if err != nil {
		return f.failed("compare with it", err)
	}
	defer written.Close()
	if f.same, err = equalBytes(there, written); err != nil {
		return f.failed("compare with it", err)
	}
	if !f.same {
		return f.differs()
	}
	return nil
}

// equalBytes reports whether two readers deliver the same bytes.
func equalBytes(a, b io.Reader) (bool, error) {
	x, y := make([]byte, bufferBytes), make([]byte, bufferBytes)
	for {
		n, errA := io.ReadFull(a, x)
		m, errB := io.ReadFull(b, y)
		for _, err := range []error{errA, errB} {
			if err != nil && err != io.EOF && err != io.ErrUnexpectedEOF {
				return false, err
			}
		}
		if !bytes.Equal(x[:n], y[:m]) {
			return false, nil
		}
		if errA != nil || errB != nil {
			return errA != nil && errB != nil, nil
		}
	}
}

// withoutLinks recognises a file system without hard links.
func withoutLinks(err error) bool {
	return errors.Is(err, syscall.EPERM) || errors.Is(err, errors.ErrUnsupported) || errors.Is(err, syscall.EMLINK)
}

// keepOld gives what is to be replaced a second name, and locks it, so that it is
// taken for no leftover.
func (f *File) keepOld() {
	old, err := os.Open(f.path)
	if err != nil {
		f.fresh = errors.Is(err, fs.ErrNotExist) // else it may not be read, and cannot come back
		return
	}
	backup := partialName(f.path)
	if !lockFile(old) || os.Link(f.path, backup) != nil {
		old.Close()
		return
	}
	f.kept, f.backup = old, backup
}

// undo removes the name again and restores the file that was there before.
func (f *File) undo() error {
	var err error
	switch {
	case f.placed && f.backup != "":
		err = os.Rename(f.backup, f.path)
	case f.placed && (f.fresh || !f.replace):
		err = os.Remove(f.path)
	case f.placed:
		err = errors.New("it has been replaced already, and what was there could not be kept")
	case f.backup != "":
		os.Remove(f.backup)
	}
	if f.kept != nil {
		f.kept.Close()
	}
	f.placed, f.kept, f.backup = false, nil, ""
	return f.failed("take it back", err)
}

// tidy removes second names and releases the locks. The output is complete by now:
// a second name that cannot be removed is a leftover for the next run.
func (f *File) tidy() {
	os.Remove(f.partial) // gone already, after a rename
	if f.backup != "" {
		os.Remove(f.backup)
		f.kept.Close()
	}
	f.f.Close()
	if f.equal != nil {
		f.equal.Close()
		f.equal = nil
	}
	f.f, f.kept, f.backup, f.placed = nil, nil, "", false
}

// syncFolder brings the new name itself to the disk. Not every file system can sync a
// folder; the file is whole in any case.
func (f *File) syncFolder() {
	if dir, err := os.Open(filepath.Dir(f.path)); err == nil {
		dir.Sync()
		dir.Close()
	}
}
