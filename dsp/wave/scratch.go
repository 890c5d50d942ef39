package wave

import (
	"fmt"
	"os"
	"path/filepath"
	"sync"
)

// Scratch is a temporary file for data too large for memory. It is created in a
// [Folder] at the first Append, so that a later run can remove that of a killed one.
// Its methods are safe for concurrent use.
type Scratch struct {
	mu     sync.Mutex
	file   *os.File
	folder *Folder
	length int64
}

// Append writes bytes at the end and returns their offset. Errors are *OutputError.
func (s *Scratch) Append(b []byte) (at int64, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := s.create(); err != nil {
		return 0, err
	}
	at = s.length
	if _, err := s.file.WriteAt(b, at); err != nil {
		return 0, &OutputError{s.file.Name(), "write it", spaceMissing(bare(err), at, 0)}
	}
	s.length += int64(len(b))
	return at, nil
}

func (s *Scratch) create() error {
	if s.file != nil {
		return nil
	}
	folder, err := CreateFolder()
	if err != nil {
		return err
	}
	path := filepath.Join(folder.Path(), "scratch")
	if s.file, err = os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o600); err != nil {
		folder.Remove()
		return &OutputError{path, "create it", bare(err)}
	}
	s.folder = folder
	return nil
}

// Read fills a slice with the bytes from an offset.
func (s *Scratch) Read(b []byte, at int64) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.file == nil {
		return fmt.Errorf("a temporary file cannot be read back: nothing was written, or it was removed")
	}
	if _, err := s.file.ReadAt(b, at); err != nil {
		return fmt.Errorf("%s: cannot be read back: %w", s.file.Name(), bare(err))
	}
	return nil
}

// Close removes the file.
func (s *Scratch) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.file == nil {
		return nil
	}
	s.file.Close()
	s.file = nil
	return s.folder.Remove()
}
