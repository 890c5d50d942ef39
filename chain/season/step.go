package season

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/chain/receipt"
	"github.com/boothbench/boothbench/chain/tune"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/take"
)

// oneGoroutine is the number of goroutines for one take. Takes run side by side: if one of them
// used a second processor for its meters, two at a time would wait for each other.
const oneGoroutine = 1

// step makes one kind of file with a receipt from a take.
type step struct {
	key    receipt.Key
	output func(Take) string
	make   func(ctx context.Context, t Take, out string, r *receipt.Receipt) error
	state  State // of the take after this step
	anew   bool  // makes the file even if its receipt holds
}

// steps returns the steps for a take, in their order. A season as one programme is analysed
// first, and rendered once its gain is known.
func (w *worker) steps() []step {
	p := w.plan
	render := step{key: p.key(p.ChainText), output: p.output, make: w.process, state: Made}
	switch {
	case p.Target == nil:
		return []step{render}
	case !p.AsOneProgramme:
		render.make = w.deliver
		return []step{render}
	}
	analyse := step{key: p.key(p.ChainText), output: p.analysisOf, make: w.analyse, state: Analysed}
	if w.solved == nil {
		return []step{analyse}
	}
	render.key = p.key(string(w.solved.Text))
	return []step{analyse, render}
}

// analysisOf returns the path of a take's analysis.
func (p *Plan) analysisOf(t Take) string {
	return filepath.Join(p.folder, ".analysis", filepath.FromSlash(t.Output)+".analysis")
}

// process runs the chain over a take and measures the output.
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
	mono := measure.AsIs
	if w.plan.Target != nil {
		mono = w.plan.Target.Mono
	}
	meter, err := measure.NewProgrammeMeter(f, mono)
	if err != nil {
		return err
	}
	gains := chain.NewGains(0)
	own := isOwn(out)
	writer, result, err := engine.Render(ctx, reader, out, w.plan.Output, wave.Options{Replace: own, KeepLate: !own, Inputs: []string{t.Path}}, chain.Options{Workers: oneGoroutine, RepairNonFinite: w.plan.RepairNonFinite, Gains: gains})
	if err != nil {
		return err
	}
	defer writer.Abort()
	var pair take.Pair
	if err := measureWritten(ctx, writer, meter.Loudness.Write, meter.Peaks.Write, pair.Write); err != nil {
		return err
	}
	readings := meter.Readings()
	if target := w.plan.Target; target != nil {
		if err := judgeAsOne(r, *target, out, w.plan.Output.Format(f), result.Frames, readings); err != nil {
			return err
		}
	}
	if err := writer.Commit(); err != nil {
		return err
	}
	noteWarnings(r, reader.Warnings())
	r.Warnings = append(r.Warnings, pair.Faults(f.Rate)...)
	note(r, readings)
	noteProfile(r, meter.Loudness.Profile())
	note(r, measure.Readings{reading("duration_s", float64(reader.Frames())/float64(f.Rate)), reading("overs_clamped_samples", float64(writer.Overs().Count)), reading("repaired_samples", float64(result.NonFinite))})
	for _, s := range gains.Stages() {
		note(r, measure.Readings{reading("reduction_db "+s.Name, s.Reduction.LargestDB)})
	}
	if w.solved != nil {
		note(r, measure.Readings{reading("gain_db", w.gainDB)})
		if err := w.plan.keepProfile(out, meter.Loudness.Profile()); err != nil {
			return err
		}
	}
	return w.hold(ctx, out, r)
}

// judgeAsOne compares a take of one programme with the target's limits, except that of the
// loudness, which applies to the programme. A true peak over the target is an error, as in the
// delivery of a single take.
func judgeAsOne(r *receipt.Receipt, target tune.Target, out string, f wave.Format, frames int64, readings measure.Readings) error {
	if peak, _ := readings.Get("true_peak_dbtp"); peak.Measurable() && peak.Value > target.TruePeakDBTP {
		return fmt.Errorf("the true peak of the output is %.3f dBTP, over %g; set verify = true in the chain's limiter", peak.Value, target.TruePeakDBTP)
	}
	all := append(measure.FormatReadings(f, frames), readings...)
	var judged []measure.Judgement
	for _, l := range target.Limits {
		if l.Reading != "integrated_lufs" {
			judged = append(judged, measure.Judge(out, f.Rate, all, l))
		}
	}
	noteLimits(r, judged)
	return nil
}

// deliver writes a take so that it meets the plan's target.
func (w *worker) deliver(ctx context.Context, t Take, out string, r *receipt.Receipt) error {
	d, err := w.deliverJobs(ctx, []tune.Job{{In: t.Path, Out: out, Keep: !isOwn(out)}})
	if err != nil {
		return err
	}
	return w.noteDelivered(ctx, d, 0, r)
}

// deliverJobs delivers takes with one gain.
func (w *worker) deliverJobs(ctx context.Context, jobs []tune.Job) (*tune.Delivery, error) {
	return tune.Deliver(ctx, w.plan.chain, *w.plan.Target, jobs, tune.Settings{
		Output: w.plan.Output, Replace: true, Workers: oneGoroutine, RepairNonFinite: w.plan.RepairNonFinite,
	})
}

// noteDelivered adds the readings of a delivered file to a receipt.
func (w *worker) noteDelivered(ctx context.Context, d *tune.Delivery, number int, r *receipt.Receipt) error {
	file := d.Files[number]
	noteWarnings(r, file.Warnings)
	r.Warnings = append(r.Warnings, file.ChannelFaults...)
	note(r, file.Readings)
	noteProfile(r, file.Profile)
	note(r, measure.Readings{
		reading("duration_s", float64(file.Frames)/float64(file.Format.Rate)), reading("gain_db", d.GainDB), reading("reduction_db limiter", file.Cost.MostDB),
		reading("overs_clamped_samples", float64(file.Overs.Count)), reading("repaired_samples", float64(file.Repaired)),
	})
	limits := file.Limits
	if len(d.Files) > 1 { // the loudness limit applies to all of them together
		note(r, measure.Readings{reading(linkedLUFS, d.LoudnessLUFS)})
		limits = slices.DeleteFunc(slices.Clone(limits), func(j measure.Judgement) bool { return j.Limit.Reading == "integrated_lufs" })
	}
	noteLimits(r, limits)
	if d.Missed != "" { // the nearest loudness was accepted
		r.LimitsJudged++
		r.LimitsNotMet = append(r.LimitsNotMet, fmt.Sprintf("%s: the target is not met: %s", file.Out, d.Missed))
	}
	return w.hold(ctx, file.Out, r)
}

// analyse writes the analysis of a take.
func (w *worker) analyse(ctx context.Context, t Take, out string, r *receipt.Receipt) error {
	reader, err := wave.Open(t.Path)
	if err != nil {
		return err
	}
	defer reader.Close()
	a, err := tune.Analyse(ctx, w.plan.chain, reader, tune.AnalyseOptions{Mono: w.plan.Target.Mono, Workers: oneGoroutine, RepairNonFinite: w.plan.RepairNonFinite})
	if err != nil {
		return err
	}
	text, err := a.MarshalBinary()
	if err != nil {
		return err
	}
	return replaceFile(out, text)
}

// replaceFile publishes a file of the season.
func replaceFile(path string, text []byte) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
		return &wave.OutputError{Path: path, Doing: "make its folder", Err: err}
	}
	f, err := wave.CreateFile(path, true, nil)
	if err != nil {
		return err
	}
	defer f.Abort()
	if _, err := f.Write(text); err != nil {
		return err
	}
	return f.Commit()
}

// hold compares an output with the plan's limits.
func (w *worker) hold(ctx context.Context, out string, r *receipt.Receipt) error {
	if w.plan.limits == nil {
		return nil
	}
	c := w.plan.limits.CheckFile(ctx, out)
	if c.Err != nil {
		return c.Err
	}
	noteLimits(r, c.Judgements)
	return nil
}

// engine returns the engine for a rate in Hz and a number of channels.
func (w *worker) engine(rate, channels int) (*chain.Engine, error) {
	kept := [2]int{rate, channels}
	if e := w.engines[kept]; e != nil {
		return e, nil // each run resets it first
	}
	c := w.plan.chain
	if w.solved != nil {
		c = w.solved
	}
	e, err := c.Prepare(rate, channels)
	if err == nil {
		w.engines[kept] = e
	}
	return e, err
}

// measureWritten measures the written sound, behind quantiser and clamp.
func measureWritten(ctx context.Context, w *wave.Writer, meters ...func(dsp.Block)) error {
	r, err := w.Reopen()
	if err != nil {
		return err
	}
	defer r.Close()
	return measure.EachBlockBy(ctx, oneGoroutine, r, meters...)
}

// reading is a reading of the whole file, without a frame or channel.
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

// noteProfile adds the number of seconds that count for the loudness: pauses are below its
// gate.
func noteProfile(r *receipt.Receipt, p measure.LoudnessProfile) {
	hops := 0
	for _, counted := range measure.CountedHops(p)[0] {
		if counted {
			hops++
		}
	}
	note(r, measure.Readings{reading(countedSeconds, float64(hops)/10)})
}

// countedSeconds is the name of the reading of noteProfile.
const countedSeconds = "loudness_counted_s"

// linkedLUFS is the name of the reading of the loudness of linked takes as one programme.
const linkedLUFS = "linked_lufs"

// noteWarnings adds the warnings of a take. One that has lost sound does not meet its limits,
// whatever they are.
func noteWarnings(r *receipt.Receipt, all []wave.Warning) {
	for _, w := range all {
		r.Warnings = append(r.Warnings, w.String())
		if w.Lost {
			r.LimitsJudged++
			r.LimitsNotMet = append(r.LimitsNotMet, fmt.Sprintf("%s: damaged_files is 1, limit at most 0: %s; restore the whole take, or write what is left to a file of its own", w.Path, w.Found))
		}
	}
}

func noteLimits(r *receipt.Receipt, judged []measure.Judgement) {
	for _, j := range judged {
		r.LimitsJudged++
		if j.Verdict != measure.Pass {
			r.LimitsNotMet = append(r.LimitsNotMet, strings.TrimSpace(j.String()))
		}
	}
}
