package tune

import (
	"context"
	"errors"
	"fmt"
	"math"
	"runtime"
	"strings"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/take"
)

// MostRenders is the largest number of times that takes are rendered.
const MostRenders = 3

// Job is a take and the file to be written from it.
type Job struct {
	In, Out string
	// Keep leaves an existing output as it is, whatever Settings.Replace states. If the
	// delivered file would have other bytes, the error is wave.ErrExists.
	Keep bool
}

// Settings are the options of Deliver; the zero value is the usual one.
type Settings struct {
	Output          chain.Output
	Replace         bool     // write over existing outputs
	Inputs          []string // further files that no output may overwrite
	Workers         int      // goroutines; the output does not depend on their number; 0: one for each processor
	RepairNonFinite bool     // as in chain.Options

	// Also returns further outputs that appear together with the files, such as the solved
	// chain. It is called when the solution is final.
	Also func(*Solution) ([]wave.Output, error)

	// Progress is called from time to time with the number of frames of the job that a pass has
	// read.
	Progress func(pass Pass, job int, frames int64)
}

// Pass is one run over the takes. Render 0 is the analysis; later numbers are the renders, and
// each render is followed by a measurement of the written files. For a refusal, −1 finds the
// largest loudness, and −2 a compressor for the loudness range.
type Pass struct {
	Render    int
	Measuring bool
}

func (p Pass) String() string {
	switch {
	case p.Render == -2:
		return "search for a compressor"
	case p.Render == -1:
		return "the loudness that is possible"
	case p.Render == 0:
		return "analysis"
	case p.Measuring:
		return fmt.Sprintf("measurement of render %d", p.Render)
	}
	return fmt.Sprintf("render %d", p.Render)
}

// Delivery describes a programme that was written.
type Delivery struct {
	*Solution
	// LoudnessLUFS is the loudness of the written files as one programme.
	LoudnessLUFS float64
	Renders      int
	Files        []DeliveredFile
}

// Passes returns the number of runs of the chain: the analysis and the renders.
func (d *Delivery) Passes() int { return 1 + d.Renders }

// LimitedMost returns the index of the file whose loudness the limiter lowers most.
func (d *Delivery) LimitedMost() int {
	most := 0
	for i, f := range d.Files {
		if f.LimitedLU > d.Files[most].LimitedLU {
			most = i
		}
	}
	return most
}

// DeliveredFile is one file of a delivery.
type DeliveredFile struct {
	Job
	Format   wave.Format
	Frames   int64
	Ahead    measure.Readings // ahead of the limiter
	Readings measure.Readings // of the written file
	Profile  measure.LoudnessProfile
	Limits   []measure.Judgement
	Cost     Cost
	// LimitedLU is the gain less the rise of loudness: by how much the limiter lowered it.
	LimitedLU float64
	Overs     wave.Overs
	Repaired  int64 // samples that were NaN or infinite
	Warnings  []wave.Warning
	// ChannelFaults describes faults of the written file's two channels: one is silent, they
	// cancel in mono, or their levels are far apart.
	ChannelFaults []string
}

// Deliver writes takes through a chain so that they meet a target as one programme, with one
// gain for all. To let each take meet the target by itself, call it once for each take. A
// target that cannot be met is a *Refusal. Nothing is written then, nor after any other error.
func Deliver(ctx context.Context, c *chain.Chain, t Target, jobs []Job, s Settings) (*Delivery, error) {
	if err := t.Check(); err != nil {
		return nil, err
	}
	if s.Workers == 0 {
		s.Workers = runtime.GOMAXPROCS(0)
	}
	return newDelivery(ctx, c, t, jobs, s).deliver()
}

// deliver runs the passes of Deliver.
func (d *delivery) deliver() (*Delivery, error) {
	defer d.abort()
	analyses, err := d.analyse()
	if err != nil {
		return nil, err
	}
	if d.solution, err = Solve(d.chain, d.target, analyses...); err != nil {
		return nil, d.refuse(err)
	}
	if err := d.boundRange(); err != nil {
		return nil, err
	}
	if err := d.approach(); err != nil {
		return nil, err
	}
	return d.finish()
}

// refuse completes a refusal with measured loudness: at the loudest drive, and at the middle one
// of the drives that it lists. The forecast is too high there, since it does not include the
// verification of the limiter, which attenuates noise and clicks further: random signs by 1.2
// LU. From 3 to 10 dB of limiting that error changes by less than 0.1 LU, so one measurement
// corrects all of them.
func (d *delivery) refuse(err error) error {
	var r *Refusal
	if !errors.As(err, &r) || r.LoudestLUFS == nil {
		return err
	}
	known := map[float64]float64{} // loudness by gain
	measured := func(gainDB float64) (float64, error) {
		if lufs, ok := known[gainDB]; ok {
			return lufs, nil
		}
		lufs, err := d.loudnessAt(gainDB)
		known[gainDB] = lufs
		return lufs, err
	}
	loudest, err := measured(r.LoudestDriveDB)
	if err != nil {
		return err
	}
	r.LoudestLUFS = &loudest
	if n := len(r.Limiting); n > 0 {
		middle := r.Limiting[n/2]
		lufs, err := measured(middle.GainDB)
		if err != nil {
			return err
		}
		for i := range r.Limiting {
			r.Limiting[i].LoudnessLUFS += lufs - middle.LoudnessLUFS
		}
	}
	nearest, err := measured(r.nearestGainDB) // mostly one of those
	if err != nil {
		return err
	}
	r.NearestLUFS = &nearest
	if r.Do == compressAhead {
		if r.Do, err = d.adviseCompression(); err != nil {
			return err
		}
	}
	return r
}

// loudnessAt runs the chain at a gain and returns the loudness of all takes together; by the
// forecast, where they have none.
func (d *delivery) loudnessAt(gainDB float64) (lufs float64, err error) {
	d.solution.GainDB = gainDB
	driven := d.solution.Chain()
	var profiles []measure.LoudnessProfile
	for job := range d.jobs {
		take, err := d.open(job)
		if err != nil {
			return 0, err
		}
		profile, err := d.listen(driven, take, chain.Options{Progress: d.progress(Pass{Render: -1}, job)})
		take.Close()
		if err != nil {
			return 0, err
		}
		profiles = append(profiles, profile)
	}
	lufs, ok := measure.PooledLoudness(profiles...)
	if !ok {
		lufs, _ = d.solution.forecast.loudness(gainDB)
	}
	return lufs, nil
}

// listen runs a chain and measures the loudness of its output; it writes nothing.
func (d *delivery) listen(c *chain.Chain, take *wave.Reader, o chain.Options) (measure.LoudnessProfile, error) {
	f := take.Format()
	engine, err := c.Prepare(f.Rate, f.Channels)
	if err != nil {
		return measure.LoudnessProfile{}, err
	}
	loudness, err := measure.NewLoudness(measure.LoudnessSettings{Rate: f.Rate, Channels: f.Channels, ChannelMask: f.ChannelMask, Mono: d.target.Mono})
	if err != nil {
		return measure.LoudnessProfile{}, err
	}
	o.RepairNonFinite, o.Workers = d.RepairNonFinite, d.Workers
	_, err = engine.Run(d.ctx, take, analysisSink{f, loudness.Write}, o)
	return loudness.Profile(), err
}

// approach renders until the written loudness is near enough.
func (d *delivery) approach() error {
	for render := 1; render <= MostRenders; render++ {
		w, err := d.render(render)
		if err != nil {
			return err
		}
		d.keep(w)
		if !d.solution.Correct(w.profiles...) {
			break
		}
	}
	return nil
}

// delivery is the state of one call of Deliver.
type delivery struct {
	ctx    context.Context
	chain  *chain.Chain
	target Target
	jobs   []Job
	Settings

	// reopen opens a written file to measure it. Tests replace it to supply another sound.
	reopen func(*wave.Writer) (*wave.Reader, error)

	solution *Solution
	renders  int
	best     *written
}

func newDelivery(ctx context.Context, c *chain.Chain, t Target, jobs []Job, s Settings) *delivery {
	return &delivery{ctx: ctx, chain: c, target: t, jobs: jobs, Settings: s, reopen: (*wave.Writer).Reopen}
}

// written is the result of one render.
type written struct {
	solution Solution // with its gain
	lufs     float64
	writers  []*wave.Writer
	files    []DeliveredFile
	profiles []measure.LoudnessProfile
}

func (w *written) abort() {
	if w != nil {
		for _, writer := range w.writers {
			writer.Abort()
		}
	}
}

func (d *delivery) abort() { d.best.abort() }

// open opens a take.
func (d *delivery) open(job int) (*wave.Reader, error) {
	r, err := wave.Open(d.jobs[job].In)
	if err != nil {
		return nil, err
	}
	return r, nil
}

// inputs returns the files that no output may overwrite.
func (d *delivery) inputs() []string {
	inputs := append([]string{d.chain.Path}, d.Inputs...)
	for _, j := range d.jobs {
		inputs = append(inputs, j.In)
	}
	return inputs
}

func (d *delivery) progress(p Pass, job int) func(int64) {
	if d.Progress == nil {
		return nil
	}
	return func(frames int64) { d.Progress(p, job, frames) }
}

// analyse analyses the takes, once their formats have been checked.
func (d *delivery) analyse() ([]*Analysis, error) {
	if len(d.jobs) == 0 {
		return nil, errors.New("no take; accepted: one job or more")
	}
	for job := range d.jobs {
		if err := d.fits(job); err != nil {
			return nil, err
		}
	}
	analyses := make([]*Analysis, len(d.jobs))
	for job := range d.jobs {
		r, err := d.open(job)
		if err != nil {
			return nil, err
		}
		analyses[job], err = Analyse(d.ctx, d.chain, r, AnalyseOptions{
			Mono: d.target.Mono, Workers: d.Workers, RepairNonFinite: d.RepairNonFinite, Progress: d.progress(Pass{}, job),
		})
		r.Close()
		if err != nil {
			return nil, inTake(d.jobs[job].In, err)
		}
	}
	return analyses, nil
}

// fits checks what can be checked before the work begins: that the output can be created, and
// the format against the specification's limits.
func (d *delivery) fits(job int) error {
	r, err := d.open(job)
	if err != nil {
		return err
	}
	defer r.Close()
	begun, err := wave.CreateFile(d.jobs[job].Out, d.Replace || d.jobs[job].Keep, d.inputs())
	if err != nil {
		return err
	}
	begun.Abort()
	format := measure.FormatReadings(d.Output.Format(r.Format()), r.Frames())
	for _, l := range d.target.Limits {
		if _, ok := format.Get(l.Reading); !ok {
			continue
		}
		if j := measure.Judge(d.jobs[job].In, r.Format().Rate, format, l); j.Verdict != measure.Pass {
			reason := j.Sentence()
			if len(d.jobs) == 1 { // the caller names the take
				reason = strings.TrimPrefix(reason, j.Subject+": ")
			}
			return &Refusal{Reason: reason}
		}
	}
	return nil
}

// inTake adds the take's name to an error about its samples. Errors about the output or the
// chain are not changed.
func inTake(path string, err error) error {
	var nonFinite *chain.NonFiniteError
	if errors.As(err, &nonFinite) {
		return fmt.Errorf("%s: %w", path, err)
	}
	return err
}

// render writes all takes with the solution's gain, and measures the written files.
func (d *delivery) render(number int) (*written, error) {
	d.renders = number
	w := &written{solution: *d.solution}
	solved := d.solution.Chain()
	for job := range d.jobs {
		if err := d.renderOne(w, solved, number, job); err != nil {
			w.abort()
			return nil, err
		}
	}
	w.lufs, _ = measure.PooledLoudness(w.profiles...)
	return w, nil
}

func (d *delivery) renderOne(w *written, solved *chain.Chain, number, job int) error {
	in, err := d.open(job)
	if err != nil {
		return err
	}
	defer in.Close()
	f := in.Format()
	engine, err := solved.Prepare(f.Rate, f.Channels)
	if err != nil {
		return err
	}
	writer, result, err := engine.Render(d.ctx, in, d.jobs[job].Out, d.Output,
		wave.Options{Replace: d.Replace && !d.jobs[job].Keep, KeepLate: d.jobs[job].Keep, Inputs: d.inputs()},
		chain.Options{RepairNonFinite: d.RepairNonFinite, Workers: d.Workers, Progress: d.progress(Pass{Render: number}, job)})
	if err != nil {
		return inTake(d.jobs[job].In, err)
	}
	w.writers = append(w.writers, writer)
	file := DeliveredFile{Job: d.jobs[job], Format: d.Output.Format(f), Frames: result.Frames, Overs: writer.Overs(), Repaired: result.NonFinite, Warnings: in.Warnings()}
	r, err := d.reopen(writer)
	if err != nil {
		return err
	}
	defer r.Close()
	meter, err := measure.NewProgrammeMeter(f, d.target.Mono)
	if err != nil {
		return err
	}
	counted := func(dsp.Block) {}
	if shown := d.progress(Pass{number, true}, job); shown != nil {
		frames := int64(0)
		counted = func(b dsp.Block) {
			frames += int64(b.Frames())
			shown(frames)
		}
	}
	var pair take.Pair
	if err := measure.EachBlockBy(d.ctx, d.Workers, r, meter.Loudness.Write, meter.Peaks.Write, pair.Write, counted); err != nil {
		return err
	}
	file.ChannelFaults = pair.Faults(r.Format().Rate)
	file.Readings, file.Profile = meter.Readings(), meter.Loudness.Profile()
	w.files = append(w.files, file)
	w.profiles = append(w.profiles, file.Profile)
	return nil
}

// keep keeps the better of two renders.
func (d *delivery) keep(w *written) {
	aim := d.solution.AimLUFS
	if d.best != nil && math.Abs(d.best.lufs-aim) <= math.Abs(w.lufs-aim) {
		w.abort()
		return
	}
	d.best.abort()
	d.best = w
}

// finish compares the best render with the target, and makes the files appear.
func (d *delivery) finish() (*Delivery, error) {
	w := d.best
	s := &w.solution
	s.account()
	if s.settled != "" && s.GainDB == s.most && w.lufs < s.AimLUFS { // no more gain is allowed
		s.settle(point{s.GainDB, w.lufs})
	}
	out := &Delivery{Solution: s, LoudnessLUFS: w.lufs, Renders: d.renders, Files: w.files}
	if miss := math.Abs(w.lufs - s.AimLUFS); miss > okLU {
		text := fmt.Sprintf("after %s the loudness is %.3f LUFS, %.3f LU from %.3f", dsp.Plural(d.renders, "render"), w.lufs, miss, s.AimLUFS)
		if !d.target.accepts(w.lufs) && !d.target.Nearest {
			return nil, &Refusal{Reason: text, NearestLUFS: &w.lufs}
		}
		if !d.target.accepts(w.lufs) {
			s.Missed = text
		}
		s.note("%s", text)
	}
	for i := range out.Files {
		if err := d.judge(&out.Files[i], s, i); err != nil {
			return nil, err
		}
	}
	if len(out.Files) == 1 {
		s.Cost = out.Files[0].Cost
	}
	var outputs []wave.Output
	for _, writer := range w.writers {
		outputs = append(outputs, writer)
	}
	if d.Also != nil {
		also, err := d.Also(s)
		if err != nil {
			return nil, err
		}
		outputs = append(outputs, also...)
	}
	if err := wave.CommitTogether(outputs...); err != nil {
		return nil, err
	}
	return out, nil
}

// judge sets the limits and costs of a file.
func (d *delivery) judge(f *DeliveredFile, s *Solution, take int) error {
	a := s.forecast.takes[take]
	f.Ahead, f.Cost = a.Ahead, s.Costs[take]
	if r, _ := f.Readings.Get("peak_to_loudness_lu"); r.Measurable() {
		f.Cost.PeakToLoudnessAfterLU = r.Value
	}
	before, _ := a.Ahead.Get("integrated_lufs")
	after, _ := f.Readings.Get("integrated_lufs")
	if before.Measurable() && after.Measurable() {
		f.LimitedLU = before.Value + s.GainDB - after.Value
	}
	peak, _ := f.Readings.Get("true_peak_dbtp")
	if peak.Measurable() && peak.Value > d.target.TruePeakDBTP {
		return &Refusal{Reason: fmt.Sprintf("%s: the true peak of the output is %.3f dBTP, over %g", f.Out, peak.Value, d.target.TruePeakDBTP), Do: "set verify = true in the chain's limiter"}
	}
	if fine, _ := f.Readings.Get("true_peak_fine_dbtp"); fine.Measurable() && fine.Value > d.target.TruePeakDBTP {
		s.note("%s: the fine reading of the true peak is %.3f dBTP, over %g; verify = true in the chain's limiter holds it", f.Out, fine.Value, d.target.TruePeakDBTP)
	}
	readings := append(measure.FormatReadings(f.Format, f.Frames), f.Readings...)
	for _, l := range d.target.Limits {
		f.Limits = append(f.Limits, measure.Judge(f.Out, f.Format.Rate, readings, l))
	}
	return nil
}
