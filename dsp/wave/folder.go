package wave

import (
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// Folder is a folder for temporary files. It is locked like a partial file, so that
// the next run can remove the folder of a killed one.
type Folder struct {
	path string
	lock *os.File
}

const folderMark = "boothbench-"

// temporaryFolder is what an OutputError was doing.
const temporaryFolder = "make a temporary folder in it"

// CreateFolder makes a folder where the system keeps temporary files.
func CreateFolder() (*Folder, error) {
	for range 16 {
		var suffix [4]byte
		rand.Read(suffix[:])
		path := filepath.Join(os.TempDir(), folderMark+hex.EncodeToString(suffix[:]))
		if err := os.Mkdir(path, 0o700); errors.Is(err, fs.ErrExist) {
			continue
		} else if err != nil {
			return nil, &OutputError{os.TempDir(), temporaryFolder, bare(err)}
		}
		lock, err := os.Open(path)
		if err != nil {
			os.Remove(path)
			return nil, &OutputError{path, "open it", bare(err)}
		}
		if lockOwn(lock) {
			return &Folder{path, lock}, nil
		}
		os.Remove(path)
		lock.Close() // another run has taken it for a leftover
	}
	return nil, &OutputError{os.TempDir(), temporaryFolder, errors.New("another program removes every one")}
}

// Path is the folder's path.
func (f *Folder) Path() string { return f.path }

// Remove removes the folder and its content.
func (f *Folder) Remove() error {
	err := os.RemoveAll(f.path)
	f.lock.Close()
	return err
}

// RemoveLeftoverFolders removes the caller's temporary folders whose maker has ended,
// and names each just before.
func RemoveLeftoverFolders(name func(Leftover)) {
	found, _ := filepath.Glob(filepath.Join(os.TempDir(), folderMark+"*"))
	for _, path := range found {
		suffix := strings.TrimPrefix(filepath.Base(path), folderMark)
		if len(suffix) != 8 || strings.Trim(suffix, "0123456789abcdef") != "" {
			continue
		}
		l := Leftover{Path: path, Output: "temporary files"}
		l.removeFolder(name)
	}
}

func (l *Leftover) removeFolder(name func(Leftover)) {
	if info, err := os.Lstat(l.Path); err != nil || !info.IsDir() || !ownedByUs(info) {
		return
	}
	f, err := os.Open(l.Path)
	if err != nil {
		return
	}
	defer f.Close()
	if !lockFile(f) || !isStill(f, l.Path) {
		return
	}
	filepath.WalkDir(l.Path, func(_ string, e fs.DirEntry, err error) error {
		if err == nil && e.Type().IsRegular() {
			if info, err := e.Info(); err == nil {
				l.Bytes += info.Size()
			}
		}
		return nil
	})
	name(*l)
	os.RemoveAll(l.Path)
}

// MakeFolder makes a folder for outputs, and those above it, where they are missing. Its
// errors are *OutputError.
func MakeFolder(path string) error {
	err := os.MkdirAll(path, 0o777)
	if err == nil {
		return nil
	}
	why := bare(err)
	if info, lstat := os.Lstat(path); lstat == nil && info.Mode()&fs.ModeSymlink != 0 {
		why = errors.New("found a link to nothing that is there; accepted: a folder")
	} else if lstat == nil && !info.IsDir() {
		why = fmt.Errorf("found %s; accepted: a folder", kindOf(info))
	}
	return &OutputError{path, "make this folder", why}
}
