package main

import (
	"fmt"
	"io"
	"os"
	"sync"
	"time"

	"golang.org/x/term"
)

// progress shows the progress of long work: only on a terminal, on one line
// that it clears at the end. Several workers may report to it.
type progress struct {
	mu    sync.Mutex
	w     io.Writer // nil: silent
	done  int64
	total int64
	start time.Time
	shown time.Time
	what  string // what is being done, "" for one thing only
	take  int    // the number of the take begun last, from 1
	takes int
}

func newProgress(w io.Writer, quiet bool, total int64) *progress {
	p := &progress{total: total, start: time.Now()}
	if f, ok := w.(*os.File); ok && !quiet && term.IsTerminal(int(f.Fd())) && os.Getenv("TERM") != "dumb" {
		p.w = w
	}
	return p
}

// begin starts another task, with its own total.
func (p *progress) begin(what string, total int64) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.what, p.done, p.total, p.start = what, 0, total, time.Now()
}

// next starts the next of several takes.
func (p *progress) next() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.take++; p.takes > 1 {
		p.what = fmt.Sprintf("take %d of %d", p.take, p.takes)
	}
}

// task shows which of several tasks begins, at once: each may take long.
func (p *progress) task(what string, i, of int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.w != nil {
		p.shown = time.Now()
		fmt.Fprintf(p.w, "\r\x1b[K%d of %d: %s", i+1, of, what)
	}
}

// add adds to the amount done.
func (p *progress) add(more int64) {
	if p.w == nil {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.done += more
	now := time.Now()
	spent := now.Sub(p.start)
	if p.done <= 0 || p.total <= 0 || spent < 400*time.Millisecond || now.Sub(p.shown) < 200*time.Millisecond {
		return
	}
	p.shown = now
	left := time.Duration(float64(spent) * float64(p.total-p.done) / float64(p.done)).Round(time.Second)
	what := ""
	if p.what != "" {
		what = p.what + ": "
	}
	fmt.Fprintf(p.w, "\r\x1b[K%s%3d %%, %v left", what, min(100, p.done*100/p.total), max(0, left))
}

// clear removes the line.
func (p *progress) clear() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.w != nil && !p.shown.IsZero() {
		fmt.Fprint(p.w, "\r\x1b[K")
		p.shown = time.Time{}
	}
}
