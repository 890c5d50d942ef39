package season

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"sync"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/chain/receipt"
	"github.com/boothbench/boothbench/chain/tune"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
)

// RunSettings are the ways to run a share; the zero value is the usual one.
type RunSettings struct {
	Jobs      int  // takes at a time; 0: one
	ByContent bool // digests decide whether a receipt holds, not sizes and times
	Again     bool // takes that failed are tried again

	// Done is called with the result of each take, in the order of the share.
	Done func(Outcome)
}

// State is what came of a take.
type State string

// The states. In a table there are also those of what a receipt says.
const (
	Made    State = "done"
	WasDone State = "was done"
	Failed  State = "failed"  // for a reason that lies in the take
	Stopped State = "stopped" // for one that does not: it is tried again by the next run
	Missing State = "missing"
	Stale   State = "stale"   // made of another take, or changed since
	Corrupt State = "corrupt" // not the bytes that were written
)

// Outcome is what came of one take.
type Outcome struct {
	Take
	State   State
	Err     error // of Failed and Stopped
	Receipt *receipt.Receipt
}

// Run makes the outputs of share k of n, from 1, that are not made yet. It returns the
// context's error where that ended it, and otherwise nil: Done is called with what
// became of each take.
func (p *Plan) Run(ctx context.Context, k, n int, s RunSettings) error {
	if n < 1 || k < 1 || k > n {
		return fmt.Errorf("found share %d of %d; accepted: 1 to %d", k, n, max(1, n))
	}
	takes := p.Share(k, n)
	outcomes := make([]chan Outcome, len(takes))
	next := make(chan int, len(takes))
	for i := range takes {
		outcomes[i] = make(chan Outcome, 1)
		next <- i
	}
	close(next)
	var group sync.WaitGroup
	defer group.Wait()
	for range max(1, min(s.Jobs, len(takes))) {
		group.Go(func() {
			w := worker{plan: p, settings: s, key: p.key(), engines: map[[2]int]*chain.Engine{}}
			for i := range next {
				outcomes[i] <- w.do(ctx, takes[i])
			}
		})
	}
	for i := range outcomes {
		o := <-outcomes[i]
		if s.Done != nil {
			s.Done(o)
		}
	}
	return ctx.Err()
}

// worker makes one take at a time. It keeps its engines: building one can cost more than
// a short take.
type worker struct {
	plan     *Plan
	settings RunSettings
	key      receipt.Key
	engines  map[[2]int]*chain.Engine // by rate and channels
}

func (w *worker) do(ctx context.Context, t Take) Outcome {
	o := Outcome{Take: t, State: Stopped}
	if o.Err = ctx.Err(); o.Err != nil {
		return o
	}
	out := w.plan.output(t)
	holds := receipt.HoldsByTimes
	if w.settings.ByContent {
		holds = receipt.Holds
	}
	r, _, err := holds(w.key, t.Path, out)
	switch {
	case err == nil && r != nil && r.Failure == "":
		o.State, o.Receipt = WasDone, r
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
		return w.fail(o, out, fmt.Errorf("%s: begun %s, and no attempt came to its end; season run --again tries it anew", t.Path, dsp.Plural(begun, "time")))
	}
	o.Receipt, err = w.make(ctx, t, out)
	var output *wave.OutputError
	switch {
	case ctx.Err() != nil:
		count.takeBack()
		o.Err = ctx.Err()
	case errors.As(err, &output):
		count.takeBack() // a full disk is no fault of the take
		o.Err = err
	case err != nil:
		o = w.fail(o, out, err)
		count.end()
	default:
		o.State = Made
		o.Err = count.end()
	}
	return o
}

// fail records that a take cannot be made, with the reason.
func (w *worker) fail(o Outcome, out string, err error) Outcome {
	o.State, o.Err = Failed, err
	r := &receipt.Receipt{Key: w.key, Output: receipt.File{Path: out}, Failure: err.Error()}
	if r.Input, err = receipt.Of(o.Path); err != nil {
		return o // without the take there is nothing that a receipt could be of
	}
	if err := r.Write(); err != nil {
		o.State, o.Err = Stopped, err
	}
	o.Receipt = r
	return o
}

// make makes one output and its receipt.
func (w *worker) make(ctx context.Context, t Take, out string) (*receipt.Receipt, error) {
	r := &receipt.Receipt{Key: w.key, Readings: map[string]*float64{}}
	var err error
	if r.Input, err = receipt.Of(t.Path); err != nil {
		return nil, err
	}
	if err := os.MkdirAll(filepath.Dir(out), 0o777); err != nil {
		return nil, &wave.OutputError{Path: out, Doing: "make its folder", Err: err}
	}
	if w.plan.Target != nil {
		err = w.deliver(ctx, t, out, r)
	} else {
		err = w.process(ctx, t, out, r)
	}
	if err != nil {
		return nil, err
	}
	now, err := os.Stat(t.Path)
	if err != nil || now.Size() != r.Input.Bytes || !now.ModTime().Equal(r.Input.Modified) {
		return nil, fmt.Errorf("%s: the take was changed while it was processed", t.Path)
	}
	if r.Output, err = written(out); err != nil {
		return nil, &wave.OutputError{Path: out, Doing: "read it again", Err: err}
	}
	return r, r.Write()
}

// written is an output as it lies there. Another attempt at the same take may replace it,
// with the same bytes, while it is read.
func written(out string) (f receipt.File, err error) {
	for range mostRereads {
		var changed *receipt.ChangedError
		if f, err = receipt.Of(out); !errors.As(err, &changed) {
			break
		}
	}
	return f, err
}

// mostRereads bounds how often an output is read again: each time another attempt must
// have come to its end.
const mostRereads = 20

// process runs the chain over a take and measures what comes out of it.
func (w *worker) process(ctx context.Context, t Take, out string, r *receipt.Receipt) error {
	reader, err := wave.Open(t.Path)
	if err != nil {
		return err
	}
	defer reader.Close()
	f := reader.Format()
	engine, err := w.engine(f.Rate, f.Channels)
	if err != nil {
		return err
	}
	meter, err := measure.NewProgrammeMeter(f, measure.AsIs)
	if err != nil {
		return err
	}
	gains := chain.NewGains(0)
	writer, result, err := engine.RenderTo(ctx, reader, func(f wave.Format, set wave.Options) (*wave.Writer, wave.Sink, error) {
		set.Replace, set.Keep, set.Inputs = true, true, []string{t.Path}
		writer, err := wave.Create(out, f, set)
		return writer, &measuredSink{writer, meter}, err
	}, w.plan.Output, chain.Options{Workers: 1, RepairNonFinite: w.plan.RepairNonFinite, Gains: gains})
	if err != nil {
		return err
	}
	defer writer.Abort()
	if err := writer.Commit(); err != nil {
		return err
	}
	for _, warning := range reader.Warnings() {
		r.Warnings = append(r.Warnings, warning.String())
	}
	note(r, meter.Readings())
	note(r, measure.Readings{reading("duration_s", float64(reader.Frames())/float64(f.Rate)), reading("overs_clamped_samples", float64(writer.Overs().Count)), reading("repaired_samples", float64(result.NonFinite))})
	for _, s := range gains.Stages() {
		note(r, measure.Readings{reading("reduction_db "+s.Name, s.Reduction.LargestDB)})
	}
	return nil
}

// deliver writes a take so that it meets the plan's target.
func (w *worker) deliver(ctx context.Context, t Take, out string, r *receipt.Receipt) error {
	d, err := tune.Deliver(ctx, w.plan.chain, *w.plan.Target, []tune.Job{{In: t.Path, Out: out}}, tune.Settings{
		Output: w.plan.Output, Replace: true, Workers: 1, RepairNonFinite: w.plan.RepairNonFinite,
	})
	if err != nil {
		return err
	}
	file := d.Files[0]
	for _, warning := range file.Warnings {
		r.Warnings = append(r.Warnings, warning.String())
	}
	note(r, file.Readings)
	note(r, measure.Readings{reading("duration_s", float64(file.Frames)/float64(file.Format.Rate)), reading("gain_db", d.GainDB), reading("reduction_db limiter", file.Cost.MostDB)})
	for _, j := range file.Limits {
		if j.Verdict != measure.Pass {
			r.Warnings = append(r.Warnings, j.String())
		}
	}
	return nil
}

// engine is the engine for a rate in Hz and a number of channels.
func (w *worker) engine(rate, channels int) (*chain.Engine, error) {
	kept := [2]int{rate, channels}
	if e := w.engines[kept]; e != nil {
		return e, nil // a run begins with a reset
	}
	e, err := w.plan.chain.Prepare(rate, channels)
	if err == nil {
		w.engines[kept] = e
	}
	return e, err
}

// measuredSink measures what passes to a sink.
type measuredSink struct {
	wave.Sink
	meter *measure.ProgrammeMeter
}

func (s *measuredSink) Write(b dsp.Block) error {
	s.meter.Write(b)
	return s.Sink.Write(b)
}

// reading is a value of the whole.
func reading(name string, value float64) measure.Named {
	return measure.Named{Name: name, Reading: measure.Reading{Value: value, Frame: -1, Channel: -1}}
}

// note adds readings to a receipt.
func note(r *receipt.Receipt, readings measure.Readings) {
	for _, n := range readings {
		r.Readings[n.Name] = nil
		if n.Measurable() {
			value := measure.JSONValue(n.Value)
			r.Readings[n.Name] = &value
		}
	}
}

// Sweep removes the partial files of attempts whose process has ended, from every folder
// of the season, and names each.
func (p *Plan) Sweep(name func(wave.Leftover)) error {
	var folders []string
	for _, t := range p.Takes {
		out := p.output(t)
		folders = append(folders, filepath.Dir(out), filepath.Dir(receipt.PathFor(out)))
	}
	slices.Sort(folders)
	for _, folder := range slices.Compact(folders) {
		if _, err := os.Stat(folder); err != nil {
			continue // nothing was made there yet
		}
		if err := wave.RemoveLeftovers(folder, name); err != nil {
			return err
		}
	}
	return nil
}
