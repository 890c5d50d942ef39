package season

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"sync"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/chain/receipt"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
)

// RunSettings are the options of Run; the zero value is the usual one.
type RunSettings struct {
	Jobs      int  // digests decide whether a receipt holds, instead of sizes and times
	ByContent bool // digests decide whether a receipt holds, not sizes and times
	Again     bool // retries takes that failed

	// Done is called with the result of each take, in the order of the share, and after the
	// takes of a conversation with the result of the conversation.
	Done func(Outcome)
}

// State is the state of a take after a run.
type State string

// The states. Missing, Stale and Corrupt occur in a table only: they follow from receipts.
const (
	Made State = "done"
	// Analysed is the state of takes that wait for the gain of the programme (Plan.Solve).
	Analysed State = "analysed"
	WasDone  State = "was done"
	Failed   State = "failed"  // for a reason that lies in the take
	Stopped  State = "stopped" // for another reason; the next run tries the take again
	Missing  State = "missing"
	Stale    State = "stale"   // made from another take, or changed since
	Corrupt  State = "corrupt" // has other bytes than those written
)

// Outcome is the result of a run for one take.
type Outcome struct {
	Take
	State   State
	Err     error // set for Failed and Stopped
	Receipt *receipt.Receipt
	// Conversation marks the result of a conversation, whose output is its report.
	Conversation bool
}

// Run makes the missing outputs of share k of n, counted from 1. It returns the context's error
// if the context ended it, and otherwise nil: Done is called with the result of each take.
func (p *Plan) Run(ctx context.Context, k, n int, s RunSettings) error {
	if n < 1 || k < 1 || k > n {
		return fmt.Errorf("found share %d of %d; accepted: 1 to %d", k, n, max(1, n))
	}
	found, err := p.programme()
	if err != nil {
		return err
	}
	units := p.units(k, n)
	outcomes := make([]chan Outcome, len(units))
	next := make(chan int, len(units))
	for i, unit := range units {
		outcomes[i] = make(chan Outcome, len(unit)+1)
		next <- i
	}
	close(next)
	var group sync.WaitGroup
	defer group.Wait()
	for range max(1, min(s.Jobs, len(units))) {
		group.Go(func() {
			w := worker{plan: p, settings: s, engines: map[[2]int]*chain.Engine{}}
			if found != nil {
				w.solved, w.gainDB = found.chain, found.GainDB
			}
			for i := range next {
				w.doUnit(ctx, units[i], func(o Outcome) { outcomes[i] <- o })
				close(outcomes[i])
			}
		})
	}
	for i := range outcomes {
		for o := range outcomes[i] {
			if s.Done != nil {
				s.Done(o)
			}
		}
	}
	return ctx.Err()
}

// worker makes one take at a time. It keeps its engines, because building one can cost more
// than a short take.
type worker struct {
	plan     *Plan
	settings RunSettings
	solved   *chain.Chain // chain of a season as one programme, with its gain; nil: not known yet
	gainDB   float64
	todo     []step                   // of each take
	engines  map[[2]int]*chain.Engine // by rate and channels
}

func (w *worker) do(ctx context.Context, t Take) (o Outcome) {
	if w.todo == nil {
		w.todo = w.steps()
	}
	for _, step := range w.todo {
		if o = w.doStep(ctx, t, step); o.Err != nil {
			break
		}
	}
	return o
}

// doStep does one step of a take, unless a receipt shows that it was done.
func (w *worker) doStep(ctx context.Context, t Take, s step) Outcome {
	o := Outcome{Take: t, State: Stopped}
	if o.Err = ctx.Err(); o.Err != nil {
		return o
	}
	out := s.output(t)
	holds := receipt.HoldsByTimes
	if w.settings.ByContent {
		holds = receipt.Holds
	}
	var r *receipt.Receipt
	var err error
	if !s.anew {
		r, _, err = holds(s.key, t.Path, out)
	}
	switch {
	case err == nil && r != nil && r.Failure == "":
		o.State, o.Receipt = WasDone, r
		attemptsAt(out).end() // a process may have ended before it removed its count
		return o
	case err == nil && r != nil && !w.settings.Again:
		o.State, o.Receipt, o.Err = Failed, r, errors.New(r.Failure)
		return o
	}
	count := attemptsAt(out)
	begun, err := count.begin()
	if err != nil {
		o.Err = err
		return o
	}
	if begun >= mostAttempts && !w.settings.Again {
		return w.fail(o, s, fmt.Errorf("%s: started %s and never finished; season run --again tries it once more", t.Path, dsp.Plural(begun, "time")))
	}
	o.Receipt, err = w.make(ctx, t, s)
	var output *wave.OutputError
	var changed *TakeChangedError
	switch {
	case ctx.Err() != nil:
		count.takeBack()
		o.Err = ctx.Err()
	case errors.As(err, &output):
		count.takeBack() // a full disk is no fault of the take
		o.Err = err
	case errors.As(err, &changed):
		count.takeBack()
		o.Err = err
	case foreign(err, out) != nil:
		count.takeBack() // nor is another file at the path of the output
		o.Err = foreign(err, out)
	case errors.Is(err, wave.ErrNotAFile):
		count.takeBack() // nor a folder
		o.Err = err
	case err != nil:
		o = w.fail(o, s, err)
		count.end()
	default:
		o.State = s.state
		o.Err = count.end()
	}
	return o
}

// fail records that a take cannot be made, with the reason.
func (w *worker) fail(o Outcome, s step, err error) Outcome {
	o.State, o.Err = Failed, err
	r := &receipt.Receipt{Key: s.key, Output: receipt.File{Path: s.output(o.Take)}, Failure: err.Error()}
	if earlier, err := receipt.Load(r.Output.Path); err == nil {
		r.Output = earlier.Output // that output remains, and remains the season's own
		r.Output.Path = s.output(o.Take)
	}
	if r.Input, err = receipt.Of(o.Path); err != nil {
		return o // a receipt needs the take's digest
	}
	if err := r.Write(); err != nil {
		o.State, o.Err = Stopped, err
	}
	o.Receipt = r
	return o
}

// make makes one output and its receipt.
func (w *worker) make(ctx context.Context, t Take, s step) (*receipt.Receipt, error) {
	out := s.output(t)
	r := &receipt.Receipt{Key: s.key, Readings: map[string]*float64{}}
	var err error
	if r.Input, err = receipt.Of(t.Path); err != nil {
		return nil, err
	}
	if err := wave.MakeFolder(filepath.Dir(out)); err != nil {
		return nil, err
	}
	if err := s.make(ctx, t, out, r); err != nil {
		return nil, err
	}
	now, err := os.Stat(t.Path)
	if err != nil || now.Size() != r.Input.Bytes || !now.ModTime().Equal(r.Input.Modified) {
		// The output was made from a take that has changed since. Its receipt marks it as the
		// season's own, and does not hold.
		changed := &TakeChangedError{t.Path}
		if r.Output, err = written(out); err == nil {
			r.Failure = changed.Error()
			err = r.Write()
		}
		return nil, cmp.Or(err, error(changed))
	}
	if r.Output, err = written(out); err != nil {
		return nil, &wave.OutputError{Path: out, Doing: "read it again", Err: err}
	}
	return r, r.Write()
}

// TakeChangedError reports a take that changed while it was processed. It may still be recorded
// or copied.
type TakeChangedError struct{ Path string }

func (e *TakeChangedError) Error() string {
	return e.Path + ": the take was changed while it was processed; run it again once it is complete"
}

// written returns the size, time and digest of an output on disk. While it is read, another
// attempt at the same take may replace it with the same bytes; then it is read again.
func written(out string) (f receipt.File, err error) {
	for range mostRereads {
		var changed *receipt.ChangedError
		if f, err = receipt.Of(out); !errors.As(err, &changed) {
			break
		}
	}
	return f, err
}

// mostRereads bounds how often an output is read again: each time, another attempt must have
// finished in between.
const mostRereads = 20

// Sweep removes the partial files of attempts whose process has ended, from every folder of the
// season, and reports each.
func (p *Plan) Sweep(name func(wave.Leftover)) error {
	var folders []string
	for _, t := range p.Takes {
		out := p.output(t)
		folders = append(folders, filepath.Dir(out), filepath.Dir(receipt.PathFor(out)))
		if p.AsOneProgramme {
			analysis := p.analysisOf(t)
			folders = append(folders, filepath.Dir(analysis), filepath.Dir(receipt.PathFor(analysis)))
		}
	}
	for _, c := range p.Conversations {
		out := p.output(Take{Output: c.reportName()})
		folders = append(folders, filepath.Dir(out), filepath.Dir(receipt.PathFor(out)))
	}
	folders = append(folders, p.folder)
	slices.Sort(folders)
	for _, folder := range slices.Compact(folders) {
		if _, err := os.Stat(folder); err != nil {
			continue // nothing was made in it yet
		}
		if err := wave.RemoveLeftovers(folder, name); err != nil {
			return err
		}
	}
	return nil
}
