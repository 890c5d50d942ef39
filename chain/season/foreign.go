package season

import (
	"errors"
	"fmt"
	"os"

	"github.com/boothbench/boothbench/chain/receipt"
	"github.com/boothbench/boothbench/dsp/wave"
)

// ForeignError reports a file at the path of an output that the season did not make: it has no
// receipt, and the season would make other bytes.
type ForeignError struct{ Path string }

func (e *ForeignError) Error() string {
	return e.Path + ": the file exists, and no receipt shows that a season made it; move it away, or plan the season into another folder"
}

// isOwn reports whether an output may be replaced: there is none, or a receipt states that a
// season made a file of this name. If a process was killed after it had published an output and
// before its receipt, the output does not count as the season's own. But it then has the same
// bytes that the next attempt makes.
func isOwn(output string) bool {
	if _, err := os.Lstat(output); err != nil {
		return true
	}
	r, err := receipt.Load(output)
	return err == nil && r.Output.SHA256 != ""
}

// mayPlanOver reports whether a plan may be made over an output: it is the season's own, or
// an attempt to make it was begun. The next attempt compares the bytes.
func mayPlanOver(output string) bool {
	if isOwn(output) {
		return true
	}
	_, err := os.Lstat(attemptsAt(output).path)
	return err == nil
}

// publish replaces a file of the season. A file that is not the season's must have the same
// bytes.
func publish(path string, text []byte) error {
	if isOwn(path) {
		return replaceFile(path, text)
	}
	there, err := os.ReadFile(path)
	if err != nil {
		return &wave.OutputError{Path: path, Doing: "compare with it", Err: err}
	}
	if string(there) != string(text) {
		return fmt.Errorf("%s: %w", path, wave.ErrExists)
	}
	return nil
}

// foreign returns the error of a file that the season did not make, and nil for any other
// error.
func foreign(err error, output string) error {
	var known *ForeignError
	switch {
	case errors.As(err, &known):
		return known
	case errors.Is(err, wave.ErrExists):
		return &ForeignError{output}
	}
	return nil
}
