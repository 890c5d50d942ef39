package tomlfile

import (
	"fmt"
	"io"
	"os"
)

// Load reads the text of a file; what is its name in messages ("chain file"). Of a file
// that is too large for Read it returns just enough for Read to report that. It reads
// regular files only: a pipe could block for ever.
func Load(path, what string) ([]byte, error) {
	text, err := load(path)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", what, err)
	}
	return text, nil
}

func load(path string) ([]byte, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() {
		found := "a pipe or device"
		if info.IsDir() {
			found = "a folder"
		}
		return nil, fmt.Errorf("%s: found %s; accepted: a file", path, found)
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, MaxBytes+1))
}
