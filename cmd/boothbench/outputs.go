package main

import (
	"path/filepath"
	"sync"

	"github.com/boothbench/boothbench/dsp/wave"
)

// outputs are the folders that this run has written to.
type outputs struct {
	mu    sync.Mutex
	swept map[string]bool
}

// createFile begins an output, as wave.CreateFile does, in a folder without
// leftovers.
func (e env) createFile(path string, replace bool, inputs []string) (*wave.File, error) {
	e.sweep(filepath.Dir(path))
	f, err := wave.CreateFile(path, replace, inputs)
	return f, outputError(err)
}

// createWAV begins a WAV, as wave.Create does, in a folder without leftovers.
func (e env) createWAV(path string, f wave.Format, o wave.Options) (*wave.Writer, error) {
	e.sweep(filepath.Dir(path))
	w, err := wave.Create(path, f, o)
	return w, outputError(err)
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
	left, _ := wave.RemoveLeftovers(folder) // a folder that cannot be read is the output's error
	warn(e.stderr, left)
}
