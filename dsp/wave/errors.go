package wave

import (
	"errors"
	"fmt"
	"strings"
)

// Errors that an output's path can cause; errors.Is tells them.
var (
	ErrExists  = errors.New("the file exists")
	ErrIsInput = errors.New("the file is one of the inputs")
)

// FormatError tells why a file cannot be read, or a format not written.
type FormatError struct {
	Path     string
	Chunk    string // the chunk it was found in, if in one
	Offset   int64  // bytes from the start of the file
	Found    string
	Accepted string
	Advice   string // what to do about it, if that does not follow
}

func (e *FormatError) Error() string {
	var b strings.Builder
	if e.Path != "" {
		fmt.Fprintf(&b, "%s: ", e.Path)
		if e.Chunk != "" {
			fmt.Fprintf(&b, "chunk %q ", e.Chunk)
		}
		fmt.Fprintf(&b, "at byte %d: ", e.Offset)
	}
	fmt.Fprintf(&b, "found %s; accepted: %s", e.Found, e.Accepted)
	if e.Advice != "" {
		fmt.Fprintf(&b, "; %s", e.Advice)
	}
	return b.String()
}

// Warning tells what is odd about a file that could be read all the same.
type Warning struct {
	Path   string
	Offset int64 // bytes from the start of the file
	Found  string
	Done   string // what the reader made of it
}

func (w Warning) String() string {
	return fmt.Sprintf("%s: at byte %d: %s; %s", w.Path, w.Offset, w.Found, w.Done)
}
