package main

import (
	"errors"
	"fmt"
	"unicode/utf8"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/chain/receipt"
	"github.com/boothbench/boothbench/chain/tomlfile"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
)

// report is the result of one take, or with --plan what would be done.
type report struct {
	task
	inFormat, outFormat wave.Format
	inFrames            int64
	inWarnings          []wave.Warning
	notes               []tomlfile.Problem // stages that are left out at this rate
	stages              []chain.StagePlan
	latency             int
	dither              wave.DitherKind
	result              chain.Result
	overs               wave.Overs
	reductions          map[string]float64 // largest gain reduction in dB, by the names of stages
	before, metered     *meteredSink       // of the take and of the output; nil: not measured
	gains               []chain.StageGains // empty: not measured
	taken               receipt.File       // the take before the run, with --skip-done
	receipt             *receipt.Receipt   // by which the output was up to date; nil: it was not
	stale               string             // why the output was not up to date
	kept                bool               // an output with the same bytes was there
	err                 error
}

// print writes the report for people or, with --json, as one line.
func (r *report) print(b *batch) {
	warn(b.stderr, r.inWarnings)
	for _, n := range r.notes {
		fmt.Fprintf(b.stderr, "note: %v\n", n)
	}
	if r.err == nil && r.overs.Count > 0 {
		fmt.Fprintf(b.stderr, "warning: %s: %s over full scale clamped, the first at %s (frame %d, channel %d); lower the level or end the chain with a limiter\n",
			r.out, plural(r.overs.Count, "sample"), measure.TimeCode(r.overs.FirstFrame, r.outFormat.Rate), r.overs.FirstFrame, r.overs.Channel+1)
	}
	if r.err == nil && r.result.NonFinite > 0 {
		fmt.Fprintf(b.stderr, "warning: %s: %s NaN or infinite, replaced by zero, the first at %s (frame %d)\n",
			r.in, plural(r.result.NonFinite, "sample"), measure.TimeCode(r.result.FirstNonFinite, r.inFormat.Rate), r.result.FirstNonFinite)
	}
	if r.err != nil && !b.stdout.unread() {
		fmt.Fprintf(b.stderr, "boothbench process: %s\n", wave.ErrorText(r.err))
	}
	switch {
	case b.settings.json:
		b.printJSON(r.object(b))
	case r.err != nil || b.settings.quiet && !b.settings.plan:
	case b.settings.plan:
		r.printPlan(b)
	default:
		r.printDone(b)
	}
}

func (r *report) printDone(b *batch) {
	switch {
	case r.receipt != nil:
		fmt.Fprintf(b.stdout, "was done  %s -> %s, receipt of %s\n", r.in, r.out, r.receipt.Written.Format("2006-01-02 15:04"))
		return
	case r.kept:
		fmt.Fprintf(b.stdout, "unchanged  %s -> %s: the same output was there\n", r.in, r.out)
		return
	}
	fmt.Fprintf(b.stdout, "done  %s -> %s\n", nameOf(r.in), nameOfOutput(r.out))
	if b.settings.skipDone && r.stale != "" && b.settings.replace {
		fmt.Fprintf(b.stdout, "      done again: %s\n", r.stale)
	}
	if r.out == standardInput && !b.settings.rawOut && r.in == standardInput {
		fmt.Fprintln(b.stdout, "      its header has no length, since the take was a stream")
	}
	fmt.Fprintf(b.stdout, "      %s (%s), %s%s\n", measure.TimeCode(r.result.Frames, r.outFormat.Rate),
		plural(r.result.Frames, "frame"), r.outFormat, r.ditherNote(b.settings.ditherSeed))
	r.printReadings(b)
	r.printReductions(b)
	what := "removed"
	if b.settings.keepDelay {
		what = "kept"
	}
	fmt.Fprintf(b.stdout, "      latency %s (%.3f ms) %s; %s\n", plural(r.latency, "frame"),
		milliseconds(r.latency, r.outFormat.Rate), what, plural(r.overs.Count, "over"))
}

// printReadings prints the loudness and the true peak before and after.
func (r *report) printReadings(b *batch) {
	before, after := r.before.readings(), r.metered.readings()
	if r.metered != nil && r.metered.why != nil {
		fmt.Fprintf(b.stdout, "      not measured: %v\n", r.metered.why)
		return
	}
	for _, name := range meteredNames {
		was, ok := before.Get(name)
		is, also := after.Get(name)
		if ok && also {
			fmt.Fprintf(b.stdout, "      %s: %s before, %s after\n", name, was, is)
		}
	}
}

// printReductions prints by how much each stage that works by a gain has reduced.
func (r *report) printReductions(b *batch) {
	for i, s := range r.stages {
		limiting, verification, ok := reduction(s)
		if !ok {
			continue
		}
		fmt.Fprintf(b.stdout, "      %s: ", s.Name)
		if g := r.reductionOf(i); g == nil {
			fmt.Fprintf(b.stdout, "at most %.2f dB of reduction", limiting)
		} else if g.WorkingShare == 0 {
			fmt.Fprintf(b.stdout, "never reduces by %g dB or more (largest reduction %.2f dB)", chain.WorkingDB, g.LargestDB)
		} else {
			fmt.Fprintf(b.stdout, "reduces for %.0f %% of the time; during that time by %.2f dB (median), %.2f dB (95th percentile), %.2f dB (largest)",
				100*g.WorkingShare, g.MedianDB, g.P95DB, g.LargestDB)
		}
		if verification >= 0.0005 { // less is printed as 0.000
			fmt.Fprintf(b.stdout, ", and %.3f dB more by its verification", verification)
		}
		fmt.Fprintln(b.stdout)
	}
}

// reductionOf is the gain reduction of the stage at a position of the plan, nil where it
// was not measured. The verification of a limiter is not included.
func (r *report) reductionOf(stage int) *chain.Reduction {
	for _, g := range r.gains {
		if g.Stage == stage {
			return &g.Reduction
		}
	}
	return nil
}

// reduction is the largest gain reduction of a dynamics stage, in dB, and that of a
// limiter's verification; ok is false for other stages.
func reduction(s chain.StagePlan) (limiting, verification float64, ok bool) {
	switch p := s.Processor.(type) {
	case dsp.Verifier:
		limiter, ceiling := p.Parts()
		return limiter.ReductionDB(), ceiling.ReductionDB(), true
	case dsp.GainTracer:
		return p.ReductionDB(), 0, true
	}
	return 0, 0, false
}

func (r *report) ditherNote(seed uint64) string {
	if r.dither == wave.TPDF {
		return fmt.Sprintf(", TPDF dither (seed %d)", seed)
	}
	return ""
}

func (r *report) printPlan(b *batch) {
	rate := r.inFormat.Rate
	fmt.Fprintf(b.stdout, "plan  %s: %s (%s), %s\n", r.in, measure.TimeCode(r.inFrames, rate), plural(r.inFrames, "frame"), r.inFormat)
	for i, s := range r.stages {
		fmt.Fprintf(b.stdout, "  %2d  %-14s latency %5d frames (%.3f ms)", i+1, s.Name, s.LatencyFrames, milliseconds(s.LatencyFrames, rate))
		if s.VerificationFrames > 0 {
			fmt.Fprintf(b.stdout, ", %d of look-ahead and %d of verification", s.LatencyFrames-s.VerificationFrames, s.VerificationFrames)
		}
		if s.DeviationDB > 0 {
			fmt.Fprintf(b.stdout, "   response within %.3f dB of the analogue prototype", s.DeviationDB)
		}
		if s.LargestGainDB > 0.05 {
			fmt.Fprintf(b.stdout, ", gain at most %+.1f dB, at %.0f Hz", s.LargestGainDB, s.LargestGainHz)
		}
		fmt.Fprintln(b.stdout)
	}
	if len(r.stages) == 0 {
		fmt.Fprintln(b.stdout, "      no stage is enabled: the sound passes unchanged")
	}
	what := "taken out again"
	if b.settings.keepDelay {
		what = "kept in the output"
	}
	fmt.Fprintf(b.stdout, "      chain latency %d frames (%.3f ms), %s\n", r.latency, milliseconds(r.latency, rate), what)
	out := r.out
	if out == "" {
		out = "(no output named)"
	}
	fmt.Fprintf(b.stdout, "  ->  %s: %s%s; nothing written\n", out, r.outFormat, r.ditherNote(b.settings.ditherSeed))
}

// processJSON is the object that --json prints. Keys never change their
// meaning within a schema_version.
type processJSON struct {
	SchemaVersion int              `json:"schema_version"`
	Command       string           `json:"command"`
	ExitCode      int              `json:"exit_code"`
	Error         string           `json:"error,omitempty"`
	Input         fileJSON         `json:"input"`
	Chain         fileJSON         `json:"chain"`
	Stages        []stageJSON      `json:"stages"`
	LatencyFrames int              `json:"latency_frames"`
	LatencyMs     *float64         `json:"latency_ms"`
	DelayKept     bool             `json:"delay_kept"`
	Output        *outputJSON      `json:"output"`
	Receipt       *receipt.Receipt `json:"was_done,omitempty"`
	Before        measure.Readings `json:"input_readings,omitempty"`
	After         measure.Readings `json:"output_readings,omitempty"`
	Warnings      []string         `json:"warnings"`
	RepairedCount int64            `json:"nonfinite_samples_repaired"`
}

// failureJSON is the one object of a call that came to nothing.
type failureJSON struct {
	SchemaVersion int    `json:"schema_version"`
	Command       string `json:"command"`
	ExitCode      int    `json:"exit_code"`
	Error         string `json:"error"`
}

type fileJSON struct {
	pathJSON
	SHA256 string `json:"sha256,omitempty"`
	Frames *int64 `json:"frames,omitempty"`
	*formatJSON
}

// pathJSON is a file's path. JSON holds text only: of one that is none (UTF-8), the
// bytes stand beside it.
type pathJSON struct {
	Path  string `json:"path"`
	Bytes []byte `json:"path_base64,omitempty"`
}

func pathOf(path string) pathJSON {
	if utf8.ValidString(path) {
		return pathJSON{Path: path}
	}
	return pathJSON{path, []byte(path)}
}

type formatJSON struct {
	Rate     int    `json:"rate_hz"`
	Channels int    `json:"channels"`
	Encoding string `json:"encoding"`
	Bits     int    `json:"bits"`
}

type stageJSON struct {
	Name          string  `json:"name"`
	Kind          string  `json:"kind"`
	LatencyFrames int     `json:"latency_frames"`
	LatencyMs     float64 `json:"latency_ms"`
	Verification  int     `json:"verification_frames"` // of those of the latency
	DeviationDB   float64 `json:"response_deviation_db"`
	// Of a stage that works by a gain and has run; else null. Median and percentile are
	// of the time in which it reduced by 0.1 dB or more.
	Reduction             *float64 `json:"largest_reduction_db"`
	MedianReduction       *float64 `json:"median_reduction_db"`
	P95Reduction          *float64 `json:"p95_reduction_db"`
	WorkingShare          *float64 `json:"working_share"`
	VerificationReduction *float64 `json:"largest_verification_reduction_db"`
}

type outputJSON struct {
	fileJSON
	Written    bool    `json:"written"`
	Unchanged  bool    `json:"unchanged,omitempty"` // the same was there already
	Dither     string  `json:"dither"`
	DitherSeed *uint64 `json:"dither_seed"`
	Overs      int64   `json:"overs_clamped_samples"`
}

func (r *report) object(b *batch) processJSON {
	o := processJSON{
		SchemaVersion: 1, Command: "process", ExitCode: exitCode(r.err),
		Input:         fileJSON{pathJSON: pathOf(r.in)},
		Chain:         fileJSON{pathJSON: pathOf(b.settings.chain), SHA256: hashOf(b.chain.Text)},
		Stages:        []stageJSON{},
		LatencyFrames: r.latency, DelayKept: b.settings.keepDelay,
		Warnings: []string{}, RepairedCount: r.result.NonFinite,
	}
	for _, w := range b.chain.Warnings() {
		o.Warnings = append(o.Warnings, w.Error())
	}
	for _, n := range r.notes {
		o.Warnings = append(o.Warnings, n.Error())
	}
	for _, w := range r.inWarnings {
		o.Warnings = append(o.Warnings, w.String())
	}
	if r.err != nil {
		o.Error = wave.ErrorText(r.err)
	}
	o.Receipt = r.receipt
	if r.inFormat.Rate == 0 {
		return o
	}
	rate := r.inFormat.Rate
	o.Input.formatJSON, o.Input.Frames = formatOf(r.inFormat), &r.inFrames
	o.Input.SHA256 = hashOfFile(r.in)
	if r.receipt != nil {
		return o
	}
	for i, s := range r.stages {
		stage := stageJSON{
			Name: s.Name, Kind: s.Kind, LatencyFrames: s.LatencyFrames, LatencyMs: milliseconds(s.LatencyFrames, rate),
			Verification: s.VerificationFrames, DeviationDB: s.DeviationDB,
		}
		if limiting, verification, ok := reduction(s); ok && r.err == nil && !b.settings.plan {
			stage.Reduction, stage.VerificationReduction = &limiting, &verification
			if g := r.reductionOf(i); g != nil {
				stage.MedianReduction, stage.P95Reduction, stage.WorkingShare = &g.MedianDB, &g.P95DB, &g.WorkingShare
			}
		}
		o.Stages = append(o.Stages, stage)
	}
	ms := milliseconds(r.latency, rate)
	o.LatencyMs = &ms
	var file *tomlfile.FileError
	if errors.As(r.err, &file) {
		return o
	}
	o.Output = &outputJSON{fileJSON: fileJSON{pathJSON: pathOf(r.out), formatJSON: formatOf(r.outFormat)}, Dither: r.dither.String()}
	if r.dither == wave.TPDF {
		o.Output.DitherSeed = &b.settings.ditherSeed
	}
	if r.err == nil && !b.settings.plan {
		o.Output.Written, o.Output.Unchanged, o.Output.Frames, o.Output.Overs = !r.kept, r.kept, &r.result.Frames, r.overs.Count
		o.Output.SHA256 = hashOfFile(r.out)
		o.Before, o.After = r.before.readings(), r.metered.readings()
	}
	return o
}

func formatOf(f wave.Format) *formatJSON {
	return &formatJSON{f.Rate, f.Channels, f.Encoding.String(), f.Bits}
}
