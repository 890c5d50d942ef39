package bench

import (
	"fmt"
	"math"
	"strings"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// stressSignals returns sounds that make limiters overshoot. They are made for the ceiling less
// the gain in front of the limiter.
func stressSignals(p *Path) (all []namedSignal) {
	if p.CeilingDBTP == nil {
		return nil
	}
	for _, s := range stimulus.LimiterStressSet(*p.CeilingDBTP-p.DriveDB, p.Channels) {
		all = append(all, namedSignal{overshootTest + ", " + s.Name(), s, false})
	}
	return all
}

const overshootTest = "overshoot"

// tooLoud returns the peak of the loudest stress signal in dBFS, and whether that exceeds full
// scale and cannot be written to a file.
func tooLoud(p *Path) (dbfs float64, is bool) {
	most := math.Inf(-1)
	for _, s := range stressSignals(p) {
		b, err := s.signal.Make(p.RatesHz[0])
		if err != nil {
			return 0, false
		}
		most = max(most, stimulus.PeakDBFS(b))
	}
	return most, most > 0
}

// overshootOf measures the response of a limiter where the signal lies in the recording. It
// does not resample the recording to the stimulus's clock, which would change the peaks.
func overshootOf(s stimulus.LimiterStress, ceilingDBTP float64, rate int, part dsp.Block, a *instrument.Alignment) (measure.Readings, error) {
	sent, err := s.Make(rate)
	if err != nil {
		return nil, err
	}
	layout := stimulus.LayoutOf(rate, sent.Frames())
	delay, found := a.Readings.Get("latency_frames")
	if !found {
		delay, _ = a.Readings.Get("latency_frames_ch1")
	}
	begin := max(0, int(delay.Value)+layout.Signal-layout.Gap/5)
	end := min(part.Frames(), int(delay.Value)+layout.SignalEnd+layout.Gap/2)
	if begin >= end {
		return nil, fmt.Errorf("the recording does not hold the signal between its marks")
	}
	o, err := instrument.NewOvershoot(measure.OverSettings{Rate: rate, Channels: len(part), CeilingDBTP: ceilingDBTP, MostEvents: 1})
	if err != nil {
		return nil, err
	}
	held := make(dsp.Block, len(part))
	for c := range part {
		held[c] = part[c][begin:end]
	}
	o.Write(held)
	var all measure.Readings
	for _, n := range o.Readings() {
		if strings.Contains(n.Name, "overshoot_") {
			all = append(all, n)
		}
	}
	return all, nil
}

// worstOvershoot returns the largest overshoot of all stress signals of a condition.
func worstOvershoot(rows []Row) (all []Row) {
	at := map[string]int{}
	for _, r := range rows {
		if r.Value == nil || !strings.HasPrefix(r.Test, overshootTest+", ") || !strings.Contains(r.Reading, "overshoot_") {
			continue
		}
		key := r.of.Condition.String() + r.Reading
		k, known := at[key]
		if known && *all[k].Value >= *r.Value {
			continue
		}
		worst := r
		worst.Test, worst.Stimulus = overshootTest, ""
		worst.Def = strings.TrimPrefix(worst.Def+"; largest with "+strings.TrimPrefix(r.Test, overshootTest+", "), "; ")
		if known {
			all[k] = worst
			continue
		}
		at[key] = len(all)
		all = append(all, worst)
	}
	return all
}
