package main

import (
	"errors"
	"io"
	"sync"
	"syscall"
)

// results is standard output, on which results are printed. Write never fails; the first
// error is kept, and run reports it at the end, so commands need not check each line.
type results struct {
	mu     sync.Mutex
	w      io.Writer
	err    error
	closed func()   // called once, when nobody reads on
	sound  *results // standard output where that holds sound, and these are on another stream
}

func (r *results) Write(b []byte) (int, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.err != nil {
		return len(b), nil
	}
	if _, r.err = r.w.Write(b); errors.Is(r.err, syscall.EPIPE) {
		r.closed()
	}
	return len(b), nil
}

// failure is the first error.
func (r *results) failure() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.err
}

// unread reports that the reader of standard output has gone away, as "| head" does.
func (r *results) unread() bool {
	return errors.Is(r.failure(), syscall.EPIPE) || r.sound != nil && r.sound.unread()
}
