package season

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/boothbench/boothbench/chain/receipt"
	"github.com/boothbench/boothbench/dsp/wave"
)

// mostAttempts is how many times a take is begun without reaching an end before it is given up:
// a take that ends its process each time must not delay the others for ever.
const mostAttempts = 3

// attempts counts how many times a take was begun, as the size in bytes of a file beside its
// receipt.
type attempts struct{ path string }

func attemptsAt(output string) attempts {
	return attempts{receipt.PathFor(output) + ".attempts"}
}

// begin counts an attempt that is about to start, and returns the number of earlier ones.
func (a attempts) begin() (before int64, err error) {
	if err := os.MkdirAll(filepath.Dir(a.path), 0o777); err != nil {
		return 0, &wave.OutputError{Path: a.path, Doing: "make its folder", Err: err}
	}
	f, err := os.OpenFile(a.path, os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o666)
	if err != nil {
		return 0, &wave.OutputError{Path: a.path, Doing: "count an attempt", Err: err}
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return 0, &wave.OutputError{Path: a.path, Doing: "count an attempt", Err: err}
	}
	if info.Size() >= mostAttempts {
		return info.Size(), nil
	}
	if _, err := f.Write([]byte{'.'}); err != nil {
		return 0, &wave.OutputError{Path: a.path, Doing: "count an attempt", Err: err}
	}
	return info.Size(), nil
}

// takeBack removes the last attempt from the count: it was interrupted, which is no fault of
// the take.
func (a attempts) takeBack() {
	if info, err := os.Stat(a.path); err == nil && info.Size() > 1 {
		os.Truncate(a.path, info.Size()-1)
		return
	}
	os.Remove(a.path)
}

// end removes the count once a take is finished. Mostly there is none: a look at the file costs
// a third of a removal that fails.
func (a attempts) end() error {
	if _, err := os.Lstat(a.path); errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err := os.Remove(a.path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return &wave.OutputError{Path: a.path, Doing: "remove it", Err: err}
	}
	return nil
}
