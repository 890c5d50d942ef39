package instrument

import (
	"fmt"

	"github.com/boothbench/boothbench/measure"
)

// Findings states the kind of overshoot, worst first, if it exceeds allowDB. A device with its
// stimulus shows more than a sound alone.
func (o *Overshoot) Findings(allowDB float64) []measure.Finding {
	readings := o.Readings()
	get := func(name string) (float64, bool) {
		r, _ := readings.Get(name)
		return r.Value, r.Measurable()
	}
	var all []measure.Finding
	add := func(s measure.Severity, what, do string) {
		all = append(all, measure.Finding{Severity: s, What: what, Do: do, Frame: -1, Channel: -1})
	}
	sample, _ := get("overshoot_sample_db")
	annex2, _ := get("overshoot_annex2_db")
	fine, ok := get("overshoot_fine_db")
	if ok && fine > allowDB {
		events, count := o.Events()
		atEnds, first := 0, 0
		for _, e := range events {
			if e.Frame == 0 || e.Frame+e.Frames == o.overs.Frames() {
				atEnds++
			}
			if e.FirstWindow && e.Frames <= int64(o.overs.Rate)*measure.FirstWindowMs/1000 { // and not long after that window
				first++
			}
		}
		switch {
		case annex2 <= allowDB:
			add(measure.Fault, fmt.Sprintf("samples and Annex 2 keep to the ceiling, but the wave between the samples exceeds it by %.2f dB", fine),
				fmt.Sprintf("lower the ceiling by %.2f dB, or let a finer reading than the 4-fold one judge the limiter's output (in a chain file: verify = true)", fine))
		case sample <= allowDB:
			add(measure.Fault, fmt.Sprintf("the samples keep to the ceiling, but the wave between them exceeds it by %.2f dB", fine),
				fmt.Sprintf("limit by true peak, or lower the ceiling by %.2f dB", fine))
		case atEnds == int(count):
			add(measure.Fault, "only the ends of the sound exceed the ceiling", "let the limiter work from the first frame, and flush it after the last")
		case first == int(count):
			add(measure.Fault, fmt.Sprintf("only the first %d ms after silence exceed the ceiling", measure.FirstWindowMs), "give the limiter look-ahead: its gain comes down too late")
		default:
			add(measure.Fault, fmt.Sprintf("the samples themselves exceed the ceiling by %.2f dB", sample), fmt.Sprintf("lower the ceiling by %.2f dB, or use a limiter that holds it", fine))
		}
	}
	if shift, ok := get("image_shift_db"); ok && shift > imageAllowDB {
		add(measure.Warning, fmt.Sprintf("the gains of the channels differ by up to %.2f dB", shift), "measure the limiter alone first, since other stages can cause this as well; if it is the limiter, link its channels, so that the stereo image does not shift")
	}
	return all
}

// imageAllowDB is the least shift that is reported. Half a decibel between the loudspeakers
// moves an image by a just audible amount. (common practice, no source)
const imageAllowDB = 0.5
