package wave

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"
	"syscall"
)

// Errors that an output's path can cause, for errors.Is.
var (
	ErrExists   = errors.New("the file exists")
	ErrIsInput  = errors.New("the file is one of the inputs")
	ErrNotAFile = errors.New("the output cannot be a file")
)

// ErrNoFrame is the error of a SeekFrame past the end, for errors.Is.
var ErrNoFrame = errors.New("there is no such frame")

// OutputError states why an output could not be written. It names the output as the caller
// did, not the partial file.
type OutputError struct {
	Path  string
	Doing string // what failed: "write it", "give it its name", …
	Err   error  // the system's error
}

func (e *OutputError) Error() string {
	why := e.Err.Error()
	switch {
	case e.Doing == "create it" && errors.Is(e.Err, fs.ErrNotExist):
		why = "its folder does not exist; make it first, or see how the name is spelt"
	case e.Doing == temporaryFolder && errors.Is(e.Err, fs.ErrNotExist):
		why = "it does not exist; make it, or name another in the environment (TMPDIR; TMP on Windows)"
	case !strings.HasPrefix(e.Doing, "write") && errors.Is(e.Err, syscall.ENOSPC):
		why += "; the disk is full, or holds as many files as it can; make room or choose another disk"
	case e.Doing == "create it" && errors.Is(e.Err, fs.ErrPermission):
		why = "permission denied; see whose folder it is"
	case errors.Is(e.Err, fs.ErrNotExist):
		why = "the partial file is gone: another program has removed it"
	}
	return fmt.Sprintf("%s: cannot %s: %s", e.Path, e.Doing, why)
}

func (e *OutputError) Unwrap() error { return e.Err }

// ErrorText is the text of an error for people. Errors of the operating system lose the name of
// the call that failed, and have advice.
func ErrorText(err error) string {
	text := err.Error()
	if errors.Is(err, context.Canceled) {
		return strings.Replace(text, context.Canceled.Error(), "interrupted", 1)
	}
	var path *fs.PathError
	if !errors.As(err, &path) {
		return text
	}
	why := path.Err.Error()
	switch {
	case errors.Is(err, fs.ErrNotExist):
		why = "no such file; check the spelling and the folder"
	case errors.Is(err, fs.ErrPermission):
		why = "permission denied; check who owns the file or folder, and its mode"
	}
	text = strings.Replace(text, path.Error(), path.Path+": "+why, 1)
	return strings.Replace(text, path.Path+": "+path.Path+": ", path.Path+": ", 1)
}

// bare is an error of package os without the path that it names.
func bare(err error) error {
	var path *fs.PathError
	var link *os.LinkError
	var call *os.SyscallError
	switch {
	case errors.As(err, &path):
		return path.Err
	case errors.As(err, &link):
		return link.Err
	case errors.As(err, &call):
		return call.Err
	}
	return err
}

// spaceMissing is the error of a full disk, with the bytes that were written and those
// expected in all (0: not known).
func spaceMissing(err error, written, expected int64) error {
	full, todo := "the disk is full", "make room or choose another disk"
	switch {
	case errors.Is(err, syscall.EDQUOT):
		full = "this user's quota of the disk is used up"
	case errors.Is(err, syscall.EFBIG):
		full, todo = "a file may not be longer here", "raise the limit (ulimit -f) or choose another disk"
	case !errors.Is(err, syscall.ENOSPC):
		return err
	}
	missing := "more are"
	if expected > written {
		missing = fmt.Sprintf("%d more are", expected-written)
	}
	return fmt.Errorf("%s: %d bytes were written, and %s needed; %s: %w", full, written, missing, todo, err)
}

// FormatError states why a file cannot be read, or a format not written.
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

// Warning describes a defect of a file that was read all the same.
type Warning struct {
	Path   string
	Offset int64 // bytes from the start of the file
	Found  string
	Done   string // what the reader did then
	Lost   bool   // sound that belongs to the file is missing or was not read
}

func (w Warning) String() string {
	return fmt.Sprintf("%s: at byte %d: %s; %s", w.Path, w.Offset, w.Found, w.Done)
}
