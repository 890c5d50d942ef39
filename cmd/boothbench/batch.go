package main

import (
	"fmt"
	"os"
	"sync"
	"time"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/chain/receipt"
	"github.com/boothbench/boothbench/dsp/wave"
)

// batch runs the tasks of one call.
type batch struct {
	env
	settings processSettings
	chain    *chain.Chain
	tasks    []task
	progress *progress
	key      receipt.Key // program, chain and options for receipts; empty without --skip-done
}

func (b *batch) run() error {
	begun := time.Now()
	if err := b.prepare(); err != nil {
		return err
	}
	// Files side by side first; goroutines that are left share each file.
	atOnce := min(b.settings.jobs, len(b.tasks))
	workers := max(1, b.settings.jobs/atOnce)
	reports := make([]chan *report, len(b.tasks))
	for i := range reports {
		reports[i] = make(chan *report, 1)
	}
	process := func(i int) {
		b.progress.next()
		reports[i] <- b.process(b.tasks[i], workers)
	}
	var group sync.WaitGroup
	defer group.Wait()
	if atOnce > 1 {
		next := make(chan int, len(b.tasks))
		for i := range b.tasks {
			next <- i
		}
		close(next)
		for range atOnce {
			group.Go(func() {
				for i := range next {
					process(i)
				}
			})
		}
	}

	worst := exitDone
	var all []*report
	for i := range reports { // reported in the order of the call
		if atOnce == 1 {
			process(i) // begins when the one before has been reported
		}
		r := <-reports[i]
		b.progress.clear()
		if r.err != nil {
			worst = max(worst, exitCode(r.err))
		}
		r.print(b)
		r.stages = nil // and with them the memory of their engines
		all = append(all, r)
	}
	if len(b.tasks) > 1 && !b.settings.quiet && !b.settings.json && !b.settings.plan {
		printTable(b.stdout, all, time.Since(begun))
	}
	if worst != exitDone {
		return &coded{worst, errReported}
	}
	return nil
}

// prepare makes the folders of the outputs and what all tasks share.
func (b *batch) prepare() error {
	if b.settings.outDir != "" && !b.settings.plan {
		if err := b.makeFolders(b.tasks); err != nil {
			return err
		}
	}
	b.progress = newProgress(b.stderr, b.settings.quiet || b.settings.plan, 0)
	b.progress.takes = len(b.tasks)
	if b.progress.w != nil {
		b.progress.total = b.totalFrames()
	}
	if b.settings.skipDone {
		program, err := os.Executable()
		if err != nil {
			return err
		}
		b.key = receipt.Key{Chain: hashOf(b.chain.Text), Options: b.settings.inWords(), Program: hashOfFile(program)}
	}
	return nil
}

// totalFrames is the number of frames to be processed, as far as the headers state it.
func (b *batch) totalFrames() (total int64) {
	for _, t := range b.tasks {
		if t.in == standardInput {
			continue
		}
		if r, err := b.openTake(t.in, b.settings.rawFormat); err == nil {
			total += r.Frames()
			r.Close()
		}
	}
	return total
}

// process processes one take. Its error carries the exit code and names the take.
func (b *batch) process(t task, workers int) *report {
	r := &report{task: t}
	if r.err = b.skip(r); r.err == nil && r.receipt == nil {
		r.err = b.fill(r, workers)
	}
	switch {
	case r.err == nil:
	case b.ctx.Err() != nil:
		r.err = withCode(exitInterrupted, fmt.Errorf("%s: interrupted: nothing is written", nameOf(r.in)))
	case len(b.tasks) > 1:
		r.err = namingTake(t.in, r.err)
	}
	return r
}

// protected lists the files that no output may replace.
func (b *batch) protected() []string {
	paths := []string{b.settings.chain}
	for _, t := range b.tasks {
		paths = append(paths, t.in)
	}
	return paths
}

// createSound begins the output of a take, and says where its sound goes: there, past
// meters if the table or a receipt needs them.
func (b *batch) createSound(r *report) chain.Create {
	return func(f wave.Format, o wave.Options) (*wave.Writer, wave.Sink, error) {
		o.Replace, o.Keep, o.Inputs = b.settings.replace, true, b.protected()
		var w *wave.Writer
		var err error
		if r.out == standardInput {
			o.Raw, o.Flush = b.settings.rawOut, b.settings.live
			w, err = wave.NewStreamWriter(soundOut{b.stdout.sound}, f, o)
		} else {
			w, err = b.createWAV(r.out, f, o)
		}
		needed := len(b.tasks) > 1 && !b.settings.quiet || b.settings.skipDone // the table and receipts need readings
		if err != nil || !needed && !b.settings.meters() {
			return w, w, err
		}
		r.metered = newMeteredSink(w, f)
		return w, r.metered, nil
	}
}
