package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"sync"

	"github.com/boothbench/boothbench/dsp/wave"
)

// outputs are the folders that this run has written to, and what it keeps for a while.
type outputs struct {
	mu     sync.Mutex
	swept  map[string]bool
	made   []string     // folders that were missing, those above before those below
	folder *wave.Folder // temporary; nil: none yet
	stdin  string       // the file in it that holds standard input
}

// keep copies a reader to a temporary file, once.
func (o *outputs) keep(r io.Reader) (string, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.stdin != "" {
		return o.stdin, nil
	}
	var err error
	if o.folder, err = wave.CreateFolder(); err != nil {
		return "", err
	}
	path := filepath.Join(o.folder.Path(), "standard-input")
	f, err := os.Create(path)
	if err != nil {
		return "", &wave.OutputError{Path: path, Doing: "create it", Err: err}
	}
	defer f.Close()
	if _, err := io.Copy(f, r); err != nil {
		return "", fmt.Errorf("%s: %w", nameOf(standardInput), err)
	}
	o.stdin = path
	return path, nil
}

// makeFolder makes a folder for outputs, and those above it, where they are missing. Those in
// which nothing is written are removed at the end.
func (e env) makeFolder(path string) error {
	o := e.outputs
	o.mu.Lock()
	defer o.mu.Unlock()
	var missing []string
	for folder := filepath.Clean(path); ; folder = filepath.Dir(folder) {
		if _, err := os.Lstat(folder); !errors.Is(err, fs.ErrNotExist) {
			break
		}
		missing = append(missing, folder)
	}
	slices.Reverse(missing)
	o.made = append(o.made, missing...)
	return outputError(wave.MakeFolder(path))
}

// done removes the temporary files, and the folders that were made and are empty.
func (o *outputs) done() {
	o.mu.Lock()
	defer o.mu.Unlock()
	for _, folder := range slices.Backward(o.made) {
		os.Remove(folder) // fails where it holds something
	}
	if o.folder != nil {
		o.folder.Remove()
	}
}

// createFile begins an output, as wave.CreateFile does, in a folder without
// leftovers.
func (e env) createFile(path string, replace bool, inputs []string) (*wave.File, error) {
	e.sweepFor(path)
	f, err := wave.CreateFile(path, replace, inputs)
	return f, outputError(err)
}

// createWAV begins a WAV, as wave.Create does, in a folder without leftovers.
func (e env) createWAV(path string, f wave.Format, o wave.Options) (*wave.Writer, error) {
	e.sweepFor(path)
	w, err := wave.Create(path, f, o)
	return w, outputError(err)
}

// sweepFor sweeps the folder of an output, and that of the file which it is a link to.
func (e env) sweepFor(path string) {
	e.sweep(filepath.Dir(path))
	if real, err := filepath.EvalSymlinks(path); err == nil {
		e.sweep(filepath.Dir(real))
	}
}

// sweep removes from a folder, once in a run, what earlier runs that were killed have
// left there, and names it.
func (e env) sweep(folder string) {
	e.outputs.mu.Lock()
	defer e.outputs.mu.Unlock()
	if e.outputs.swept[folder] {
		return
	}
	e.outputs.swept[folder] = true
	wave.RemoveLeftovers(folder, e.nameLeftover) // a folder that cannot be read is the output's error
}

func (e env) nameLeftover(l wave.Leftover) { warn(e.stderr, []wave.Leftover{l}) }
