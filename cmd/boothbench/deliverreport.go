package main

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/chain/tune"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
)

// deliverReport is the result of one programme.
type deliverReport struct {
	jobs     []tune.Job
	target   tune.Target
	chain    *chain.Chain
	delivery *tune.Delivery // nil: nothing was written
	err      error
	saved    error // why a proposed chain could not be written
}

func (r *deliverReport) refusal() *tune.Refusal {
	var refusal *tune.Refusal
	errors.As(r.err, &refusal)
	return refusal
}

// code is the exit code: 1 for a target that is not met.
func (r *deliverReport) code() int {
	switch {
	case r.saved != nil:
		return exitCode(outputError(r.saved))
	case r.refusal() != nil:
		return exitLimit
	case r.err != nil:
		return exitCode(inputErrorUnless(r.err))
	case r.missed():
		return exitLimit
	}
	return exitDone
}

// missed reports that the written file is the nearest to the target and not on it, or does
// not meet a limit of the specification.
func (r *deliverReport) missed() bool {
	d := r.delivery
	if d.Missed != "" {
		return true
	}
	return len(d.Files) == 1 && slices.ContainsFunc(d.Files[0].Limits, func(j measure.Judgement) bool { return j.Verdict != measure.Pass })
}

func (r *deliverReport) print(e env, s *deliverSettings) {
	if r.delivery != nil {
		for _, f := range r.delivery.Files {
			warn(e.stderr, f.Warnings)
			warn(e.stderr, underName(f.Out, f.ChannelFaults))
			if f.Repaired > 0 {
				fmt.Fprintf(e.stderr, "warning: %s: %s NaN or infinite, replaced by zero\n", f.In, plural(f.Repaired, "sample"))
			}
		}
	}
	if r.err != nil && r.refusal() == nil {
		err := r.err
		var nonFinite *chain.NonFiniteError
		if errors.As(err, &nonFinite) {
			err = fmt.Errorf("%w; --repair-nonfinite replaces them by zero", err)
		}
		if errors.Is(err, wave.ErrExists) {
			err = outputError(err)
		}
		fmt.Fprintf(e.stderr, "boothbench deliver: %s\n", wave.ErrorText(err))
	}
	if r.saved != nil {
		fmt.Fprintf(e.stderr, "boothbench deliver: %s\n", wave.ErrorText(outputError(r.saved)))
	}
	switch {
	case s.json:
		e.printJSON(r.object(s))
	case r.refusal() != nil:
		r.printRefusal(e, s)
	case r.err == nil && !s.quiet:
		r.printDelivered(e)
	}
}

func (r *deliverReport) printRefusal(e env, s *deliverSettings) {
	refusal := r.refusal()
	fmt.Fprintf(e.stdout, "refused    %s: %s\n", r.jobs[0].In, refusal.Reason)
	if refusal.LoudestLUFS != nil {
		fmt.Fprintf(e.stdout, "           %.1f LUFS at most (drive_db = %.1f)\n", *refusal.LoudestLUFS, refusal.LoudestDriveDB)
	}
	for _, l := range refusal.Limiting {
		fmt.Fprintf(e.stdout, "           %.1f LUFS with %g dB of limiting (drive_db = %.1f)\n", l.LoudnessLUFS, l.P95DB, l.GainDB)
	}
	if refusal.Do != "" {
		fmt.Fprintf(e.stdout, "           %s\n", refusal.Do)
	}
	if refusal.NeedsLimitingDB > 0 && refusal.NeedsLimitingDB <= 10 { // 10 dB is the most that is listed above
		fmt.Fprintf(e.stdout, "           --limiting-max-db %.1f accepts the limiting that the target needs\n", math.Ceil(10*refusal.NeedsLimitingDB)/10)
	}
	if refusal.NearestLUFS != nil && refusal.Proposal == nil {
		fmt.Fprintf(e.stdout, "           --nearest writes the nearest within the limits, %.1f LUFS\n", *refusal.NearestLUFS)
	}
	switch {
	case refusal.Proposal == nil || s.saveChain == "":
		fmt.Fprintln(e.stdout, "           nothing is written")
	case r.saved == nil:
		fmt.Fprintf(e.stdout, "           no sound is written; %s is the chain with the proposed stage: read it, then deliver with it\n", s.saveChain)
	}
}

func (r *deliverReport) printDelivered(e env) {
	d := r.delivery
	key, before := d.SetsKey()
	for _, f := range d.Files {
		fmt.Fprintf(e.stdout, "delivered  %s -> %s\n", f.In, f.Out)
		fmt.Fprintf(e.stdout, "           %s, %s\n", measure.TimeCode(f.Frames, f.Format.Rate), f.Format)
		for _, name := range []string{"integrated_lufs", "loudness_range_lu", "short_term_max_lufs", "true_peak_dbtp", "true_peak_fine_dbtp"} {
			after, _ := f.Readings.Get(name)
			ahead, _ := f.Ahead.Get(name)
			fmt.Fprintf(e.stdout, "           %-20s %s", name, after)
			if ahead.Measurable() && after.Measurable() {
				fmt.Fprintf(e.stdout, "   (ahead of %s: %s)", key, ahead)
			}
			if name == "integrated_lufs" && f.Format.Channels == 1 {
				fmt.Fprintf(e.stdout, "   %s", after.Reference)
			}
			if name == "true_peak_dbtp" {
				fmt.Fprintf(e.stdout, "   the limit of %g dBTP applies to this one", d.Target.TruePeakDBTP)
			}
			fmt.Fprintln(e.stdout)
		}
		if len(d.Files) > 1 {
			fmt.Fprintf(e.stdout, "           the limiter lowered its loudness by %.2f LU\n", math.Round(100*f.LimitedLU)/100+0) // never −0.00
		}
		printCost(e, d, f.Cost)
		for _, j := range f.Limits {
			if j.Verdict != measure.Pass && len(d.Files) == 1 {
				fmt.Fprintf(e.stdout, "%-10s %s\n", j.Verdict, j)
			}
		}
	}
	if len(d.Files) > 1 {
		fmt.Fprintf(e.stdout, "together   integrated_lufs %.2f LUFS, target %g LUFS\n", d.LoudnessLUFS, d.Target.LoudnessLUFS)
		if most := d.LimitedMost(); d.Files[most].LimitedLU >= 0.005 { // less reads as 0
			fmt.Fprintf(e.stdout, "           the limiter lowers %s most, by %.2f LU, which changes its loudness relative to the others\n", d.Files[most].Out, d.Files[most].LimitedLU)
		}
	}
	fmt.Fprintf(e.stdout, "gain       %s = %g (the chain file has %g); %d passes through the chain\n", key, d.GainDB, before, d.Passes())
	for _, note := range d.Notes {
		fmt.Fprintf(e.stdout, "note       %s\n", note)
	}
	if d.Missed != "" {
		fmt.Fprintf(e.stdout, "missed     %s\n", d.Missed)
	}
}

func printCost(e env, d *tune.Delivery, c tune.Cost) {
	key, _ := d.SetsKey()
	if d.Limits() {
		fmt.Fprintf(e.stdout, "           limiting: median %.2f dB, 95th percentile %.2f dB, most %.2f dB; over 3 dB for %.1f %% of the time\n", c.MedianDB, c.P95DB, c.MostDB, 100*c.OverThreeDB)
	}
	fmt.Fprintf(e.stdout, "           peak to loudness ratio %.1f LU ahead of %s, %.1f LU in the file\n", c.PeakToLoudnessAheadLU, key, c.PeakToLoudnessAfterLU)
}

// deliverJSON is the object that --json prints for a programme.
type deliverJSON struct {
	SchemaVersion int             `json:"schema_version"`
	Command       string          `json:"command"`
	ExitCode      int             `json:"exit_code"`
	Error         string          `json:"error,omitempty"`
	Chain         fileJSON        `json:"chain"`
	Target        deliverTarget   `json:"target"`
	Refusal       *tune.Refusal   `json:"refusal,omitempty"`
	Missed        string          `json:"missed,omitempty"`
	Loudness      *float64        `json:"integrated_lufs"` // of all files together
	Key           string          `json:"gain_key,omitempty"`
	Gain          *float64        `json:"gain_db"`
	Passes        int             `json:"passes"`
	Cost          *tune.Cost      `json:"cost,omitempty"`
	Files         []deliveredJSON `json:"files"`
	Notes         []string        `json:"notes"`
}

type deliverTarget struct {
	Spec         string   `json:"spec,omitempty"`
	Loudness     float64  `json:"integrated_lufs"`
	TruePeak     float64  `json:"true_peak_dbtp"`
	ShortTermMax *float64 `json:"short_term_max_lufs"`
	RangeMax     *float64 `json:"loudness_range_lu"`
	MostLimiting float64  `json:"limiting_max_db"`
}

type deliveredJSON struct {
	Input     fileJSON         `json:"input"`
	Output    fileJSON         `json:"output"`
	Ahead     measure.Readings `json:"ahead_of_the_gain"`
	Readings  measure.Readings `json:"readings"`
	Limits    []judgementJSON  `json:"limits"`
	Cost      tune.Cost        `json:"cost"`
	LimitedLU float64          `json:"limited_lu"`
	Overs     int64            `json:"overs_clamped_samples"`
	Repaired  int64            `json:"nonfinite_samples_repaired"`
	Warnings  []string         `json:"warnings"`
}

func (r *deliverReport) object(s *deliverSettings) deliverJSON {
	t := r.target
	o := deliverJSON{
		SchemaVersion: 1, Command: "deliver", ExitCode: r.code(),
		Chain:   fileJSON{pathJSON: pathOf(s.chain), SHA256: hashOf(r.chain.Text)},
		Target:  deliverTarget{t.Spec, t.LoudnessLUFS, t.TruePeakDBTP, t.ShortTermMaxLUFS, t.RangeMaxLU, t.MostLimitingDB},
		Refusal: r.refusal(), Files: []deliveredJSON{}, Notes: []string{},
	}
	if r.err != nil {
		o.Error = wave.ErrorText(r.err)
		return o
	}
	d := r.delivery
	o.Missed, o.Loudness, o.Gain, o.Passes = d.Missed, &d.LoudnessLUFS, &d.GainDB, d.Passes()
	o.Key, _ = d.SetsKey()
	o.Cost = &d.Cost
	o.Notes = append(o.Notes, d.Notes...)
	for _, f := range d.Files {
		file := deliveredJSON{
			Input: fileJSON{pathJSON: pathOf(f.In), SHA256: hashOfFile(f.In)}, Output: fileJSON{pathJSON: pathOf(f.Out), SHA256: hashOfFile(f.Out), formatJSON: formatOf(f.Format), Frames: &f.Frames},
			Ahead: f.Ahead, Readings: f.Readings, Limits: judgementsObject(f.Limits), Cost: f.Cost, LimitedLU: f.LimitedLU,
			Overs: f.Overs.Count, Repaired: f.Repaired, Warnings: []string{},
		}
		for _, w := range f.Warnings {
			file.Warnings = append(file.Warnings, w.String())
		}
		file.Warnings = append(file.Warnings, underName(f.Out, f.ChannelFaults)...)
		o.Files = append(o.Files, file)
	}
	return o
}
