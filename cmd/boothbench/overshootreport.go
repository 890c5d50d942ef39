package main

import (
	"fmt"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/measure"
)

// print prints the verdict, then the overs, then the table.
func (r *overshootRun) print() {
	if !slices.ContainsFunc(r.sounds, func(s *overshootSound) bool { return len(s.runs) > 0 }) {
		return
	}
	for _, s := range r.sounds {
		warn(r.stderr, s.warnings)
	}
	r.printVerdict()
	r.printEvents()
	r.printTable()
}

// worst is the run that exceeds the ceiling most.
func (r *overshootRun) worst() (worst *overshootSound, of *overshootResult) {
	for _, s := range r.sounds {
		for i := range s.runs {
			run := &s.runs[i]
			switch got := run.verdict.Got; {
			case of == nil,
				run.verdict.Verdict == measure.Undecided && of.verdict.Verdict == measure.Pass,
				got.Measurable() && of.verdict.Got.Measurable() && got.Value > of.verdict.Got.Value,
				got.Measurable() && run.verdict.Verdict == measure.Fail && of.verdict.Verdict == measure.Undecided:
				worst, of = s, run
			}
		}
	}
	return worst, of
}

func (r *overshootRun) printVerdict() {
	s, run := r.worst()
	word := map[measure.Verdict]string{measure.Pass: "good", measure.Fail: "FAIL", measure.Undecided: "undecided"}[run.verdict.Verdict]
	what := r.what
	if what == "" {
		what = s.name
	}
	fmt.Fprintf(r.stdout, "%s  %s, ceiling %g dBTP: ", word, what, r.settings.ceiling)
	got := run.verdict.Got
	if !got.Measurable() {
		fmt.Fprintf(r.stdout, "not measurable: %s (%s)\n", got.Reason, r.label(s, run))
		return
	}
	if got.Value > 0 {
		fmt.Fprintf(r.stdout, "exceeds it by %.3f dB by the fine reading (allowed: %g dB)\n", got.Value, r.settings.allow)
	} else {
		fmt.Fprintf(r.stdout, "stays %.3f dB below it by the fine reading\n", -got.Value)
	}
	fmt.Fprintf(r.stdout, "      %s, channel %d at %s, frame %d\n", r.label(s, run), got.Channel+1, measure.TimeCode(got.Frame, s.format.Rate), got.Frame)
	said := map[string]bool{}
	for _, f := range append(slices.Clone(run.findings), r.imageFindings()...) {
		if !said[f.Do] { // each kind of finding once, from the worst run
			fmt.Fprintf(r.stdout, "  %-7s  %s\n           -> %s\n", f.Severity, f.What, f.Do)
		}
		said[f.Do] = true
	}
}

// imageFindings are the findings about the stereo image, from the run in which it moves
// most.
func (r *overshootRun) imageFindings() (found []measure.Finding) {
	most := 0.0
	for _, s := range r.sounds {
		for _, run := range s.runs {
			shift, _ := run.readings.Get("image_shift_db")
			last := len(run.findings) - 1
			if shift.Measurable() && shift.Value > most && last >= 0 && run.findings[last].Severity == measure.Warning {
				most, found = shift.Value, run.findings[last:]
			}
		}
	}
	return found
}

// label names a run: the sound, and the drive where there is a device.
func (r *overshootRun) label(s *overshootSound, run *overshootResult) string {
	if r.device == nil {
		return s.name
	}
	return fmt.Sprintf("%s, drive %g dB", s.name, run.DriveDB)
}

// printEvents lists the worst events of all runs, the largest first.
func (r *overshootRun) printEvents() {
	type event struct {
		measure.Over
		s   *overshootSound
		run *overshootResult
	}
	var all []event
	count := int64(0)
	for _, s := range r.sounds {
		for i := range s.runs {
			count += s.runs[i].count
			for _, o := range s.runs[i].events {
				all = append(all, event{o, s, &s.runs[i]})
			}
		}
	}
	if count == 0 {
		fmt.Fprintln(r.stdout, "  no sample or interpolated peak over the ceiling")
		return
	}
	slices.SortStableFunc(all, func(a, b event) int { return a.Over.WorseThan(b.Over) })
	fmt.Fprintf(r.stdout, "  %s, the worst first:\n", plural(count, "over"))
	shown := all[:min(len(all), r.settings.events)]
	for _, v := range shown {
		line := r.label(v.s, v.run)
		if v.s.stress != nil {
			if part := v.s.stress.PartAt(v.s.format.Rate, v.Frame); part != "" {
				line += ", " + part
			}
		}
		if v.FirstWindow {
			line += ", in the first 10 ms after silence"
		}
		fmt.Fprintf(r.stdout, "    %s\n      %s\n", line, overLine(v.Over, v.s.format.Rate))
	}
	if more := count - int64(len(shown)); more > 0 {
		fmt.Fprintf(r.stdout, "    … and %d more (--events)\n", more)
	}
}

// overshootColumns are the readings of the table.
var overshootColumns = []struct{ title, reading, format string }{
	{"sample", "overshoot_sample_db", "%+.3f"}, {"Annex 2", "overshoot_annex2_db", "%+.3f"}, {"fine", "overshoot_fine_db", "%+.3f"},
	{"first 10 ms", "first_window_overshoot_db", "%+.3f"}, {"ms over", "time_over_ceiling_ms", "%.2f"}, {"image shift", "image_shift_db", "%.2f"},
}

func (r *overshootRun) printTable() {
	width := len("signal")
	for _, s := range r.sounds {
		width = max(width, len(s.name))
	}
	fmt.Fprintf(r.stdout, "  dB over the ceiling (drive: gain before the device, in dB; fine: 64 places between two samples):\n  %-*s  %5s", width, "signal", "drive")
	for _, c := range overshootColumns {
		fmt.Fprintf(r.stdout, "  %11s", c.title)
	}
	fmt.Fprintln(r.stdout)
	why := map[string]bool{}
	for _, s := range r.sounds {
		for _, run := range s.runs {
			fmt.Fprintf(r.stdout, "  %-*s  %5g", width, s.name, run.DriveDB)
			for _, c := range overshootColumns {
				got, _ := run.readings.Get(c.reading)
				text := "-"
				if got.Measurable() {
					text = fmt.Sprintf(c.format, got.Value)
				} else {
					why[c.title+": "+got.Reason] = true
				}
				fmt.Fprintf(r.stdout, "  %11s", text)
			}
			fmt.Fprintln(r.stdout)
		}
	}
	reasons := make([]string, 0, len(why))
	for reason := range why {
		reasons = append(reasons, reason)
	}
	slices.Sort(reasons)
	if len(reasons) > 0 {
		fmt.Fprintf(r.stdout, "  (-: %s)\n", strings.Join(reasons, "; "))
	}
}

// object is what --json prints for a sound.
func (r *overshootRun) object(s *overshootSound) any {
	type finding struct {
		What string `json:"what"`
		Do   string `json:"do"`
	}
	type run struct {
		DriveDB   float64          `json:"drive_db"`
		Verdict   string           `json:"verdict"`
		Readings  measure.Readings `json:"readings"`
		Findings  []finding        `json:"findings"`
		Overs     []overJSON       `json:"overs"`
		OverCount int64            `json:"overs_count"`
	}
	o := struct {
		headJSON
		Device struct {
			Kind string `json:"kind"`
			Name string `json:"name,omitempty"`
		} `json:"device"`
		Signal  string  `json:"signal"`
		Ceiling float64 `json:"ceiling_dbtp"`
		Allow   float64 `json:"allow_db"`
		Runs    []run   `json:"runs"`
	}{headJSON: s.head("overshoot", s.err), Signal: s.name, Ceiling: r.settings.ceiling, Allow: r.settings.allow, Runs: []run{}}
	o.ExitCode = s.exitCode()
	o.Device.Name = r.what
	switch {
	case r.chain != nil:
		o.Device.Kind = "chain"
	case r.settings.command.exec != "":
		o.Device.Kind = "command"
	case r.settings.recording != "":
		o.Device.Kind = "recording"
	default:
		o.Device.Kind = "none"
	}
	for _, v := range s.runs {
		j := run{v.DriveDB, v.verdict.Verdict.String(), v.readings, []finding{}, oversObject(v.events, r.settings.ceiling, s.format.Rate), v.count}
		for _, f := range v.findings {
			j.Findings = append(j.Findings, finding{f.What, f.Do})
		}
		o.Runs = append(o.Runs, j)
	}
	return o
}
