// Package receipt records what an output was made from, so that a later run can skip it:
// the chain, the options, the program, the take, and what came out. A receipt is published after its output, in the same atomic way, in a
// folder ".receipts" beside it.
package receipt

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"github.com/boothbench/boothbench/dsp/wave"
)

// Schema is the version of the receipt file.
const Schema = 1

// Receipt is the record of one output.
type Receipt struct {
	SchemaVersion int                 `json:"schema_version"`
	Key           Key                 `json:"made_by"`
	Input         File                `json:"input"`
	Output        File                `json:"output"`
	Readings      map[string]*float64 `json:"readings,omitempty"` // of the output; null: not measurable
	Warnings      []string            `json:"warnings,omitempty"`
	LimitsJudged  int                 `json:"limits_judged,omitempty"`
	LimitsNotMet  []string            `json:"limits_not_met,omitempty"` // each in words
	Failure       string              `json:"failure,omitempty"`        // why there is no output
	Written       time.Time           `json:"written"`
}

// Key is what determines an output's bytes, besides the take.
type Key struct {
	Chain   string `json:"chain_sha256"` // of the chain file's text
	Options string `json:"options"`      // those that change bytes, in words
	Program string `json:"program"`      // its version or its digest
}

// File is a file as it was when the receipt was written.
type File struct {
	Path     string    `json:"path"`
	Bytes    int64     `json:"bytes"`
	SHA256   string    `json:"sha256"`
	Modified time.Time `json:"modified"`
}

// PathFor is the path of an output's receipt.
func PathFor(output string) string {
	return filepath.Join(filepath.Dir(output), ".receipts", filepath.Base(output)+".json")
}

// ChangedError reports a file that was changed while it was read.
type ChangedError struct{ Path string }

func (e *ChangedError) Error() string {
	return e.Path + ": the file was changed while it was read"
}

// Of reads a file's size, time and digest.
func Of(path string) (File, error) {
	if info, err := os.Stat(path); err != nil {
		return File{}, err
	} else if !info.Mode().IsRegular() {
		return File{}, fmt.Errorf("%s: accepted: a file", path) // a pipe would block
	}
	f, err := os.Open(path)
	if err != nil {
		return File{}, err
	}
	defer f.Close()
	before, err := f.Stat()
	if err != nil {
		return File{}, err
	}
	sum := sha256.New()
	n, err := io.Copy(sum, f)
	if err != nil {
		return File{}, err
	}
	after, err := os.Stat(path)
	if err != nil {
		return File{}, err
	}
	if n != before.Size() || !unchanged(before, after) {
		return File{}, &ChangedError{path}
	}
	return File{path, n, hex.EncodeToString(sum.Sum(nil)), before.ModTime().UTC()}, nil
}

func unchanged(a, b os.FileInfo) bool {
	return os.SameFile(a, b) && a.Size() == b.Size() && a.ModTime().Equal(b.ModTime())
}

// Write publishes the receipt of an output that is there. It does not wait for the disk:
// where a loss of power takes the receipt, the output is made again and found the same.
func (r *Receipt) Write() error {
	r.SchemaVersion = Schema
	r.Written = time.Now().UTC()
	text, err := json.MarshalIndent(r, "", " ")
	if err != nil {
		return err
	}
	path := PathFor(r.Output.Path)
	if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
		return &wave.OutputError{Path: path, Doing: "make its folder", Err: err}
	}
	f, err := wave.CreateFile(path, true, []string{r.Input.Path, r.Output.Path})
	if err != nil {
		return err
	}
	defer f.Abort()
	if _, err := f.Write(append(text, '\n')); err != nil {
		return err
	}
	return f.CommitUnsynced()
}

// Load reads the receipt of an output.
func Load(output string) (*Receipt, error) {
	path := PathFor(output)
	text, err := readSmall(path)
	if err != nil {
		return nil, err
	}
	r := &Receipt{}
	if err := json.Unmarshal(text, r); err != nil {
		return nil, fmt.Errorf("%s: no receipt: %w", path, err)
	}
	if r.SchemaVersion != Schema {
		return nil, fmt.Errorf("%s: found schema_version %d; accepted: %d", path, r.SchemaVersion, Schema)
	}
	return r, nil
}

// readSmall is os.ReadFile with fewer system calls, which are most of the cost of checking a
// finished season. One read returns a whole receipt; a part of one is not JSON, and the take
// is made again.
func readSmall(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	text := make([]byte, 8<<10)
	n, err := f.Read(text)
	if err == nil && n == len(text) {
		var rest []byte
		rest, err = io.ReadAll(f)
		return append(text, rest...), err
	}
	if errors.Is(err, io.EOF) {
		err = nil
	}
	return text[:n], err
}

// Holds reports whether an output is there and is what would be made of the take now: by
// the same key, of a take of the same content, and unchanged since. Contents are compared
// by their digests, not by times. If it does not hold, why states the difference. A receipt of a failure holds as long as the take is the same.
func Holds(key Key, input, output string) (r *Receipt, why string, err error) {
	return holds(key, input, output, Of, func(now, then File) bool { return now.SHA256 == then.SHA256 })
}

// HoldsByTimes is Holds, but takes a file of the same size and time of modification as
// unchanged, and reads neither file.
func HoldsByTimes(key Key, input, output string) (r *Receipt, why string, err error) {
	return holds(key, input, output, look, func(now, then File) bool {
		return now.Bytes == then.Bytes && now.Modified.Equal(then.Modified)
	})
}

// look is Of without the digest.
func look(path string) (File, error) {
	info, err := os.Stat(path)
	if err != nil {
		return File{}, err
	}
	return File{Path: path, Bytes: info.Size(), Modified: info.ModTime().UTC()}, nil
}

func holds(key Key, input, output string, of func(string) (File, error), same func(now, then File) bool) (r *Receipt, why string, err error) {
	r, err = Load(output)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, "there is no receipt", nil
	}
	if err != nil {
		return nil, err.Error(), nil // as if there were none
	}
	switch {
	case r.Key.Chain != key.Chain:
		return nil, "the chain has changed", nil
	case r.Key.Options != key.Options:
		return nil, fmt.Sprintf("the options have changed (%s; then %s)", key.Options, r.Key.Options), nil
	case r.Key.Program != key.Program:
		return nil, "the program has changed", nil
	}
	in, err := of(input)
	if err != nil {
		return nil, "", err
	}
	if !same(in, r.Input) {
		return nil, "the take has changed", nil
	}
	if r.Failure != "" {
		return r, "", nil
	}
	out, err := of(output)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, "the output is gone", nil
	}
	if err != nil {
		return nil, "", err
	}
	if !same(out, r.Output) {
		return nil, "the output has been changed since", nil
	}
	return r, "", nil
}
