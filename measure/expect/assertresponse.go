package expect

import (
	"fmt"
	"math"
	"math/cmplx"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/internal/spectra"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// Mask limits a gain in dB over frequency: corner points in order of frequency, joined by
// straight lines over the logarithm of frequency. Two points at one frequency are a step.
// Below the first and above the last point there is no limit.
type Mask []MaskPoint

// MaskPoint is a corner of a Mask. A bound may be infinite: ±math.Inf.
type MaskPoint struct{ Hz, MinDB, MaxDB float64 }

// bounds is the mask as the instruments take it.
func (m Mask) bounds() (all instrument.Mask) {
	for _, p := range m {
		all = append(all, instrument.MaskPoint(p))
	}
	return all
}

// responseSweep covers 15 Hz to 20.7 kHz at rates from 44100 Hz, less at lower ones.
func (p Processor) responseSweep() stimulus.Sweep {
	s := stimulus.StandardSweep(stimulus.DefaultPeakDBFS)
	s.FromHz, s.ToHz, s.Seconds, s.Channels = 10, min(s.ToHz, 0.49*float64(p.rate())), 2, p.channels()
	return s
}

// curves are the responses of all channels to a sweep of -20 dBFS; nil where the test has
// failed.
func (p Processor) curves(t testing.TB) []*instrument.FrequencyResponse {
	t.Helper()
	sweep := p.responseSweep()
	response, err := p.response(sweep)
	var curves []*instrument.FrequencyResponse
	if err == nil {
		curves, err = instrument.SweepResponse{Sweep: sweep}.Curves(p.rate(), response)
	}
	if err != nil {
		t.Errorf("%s: %v", p.about(sweep), err)
		return nil
	}
	return curves
}

// Response fails the test where the gain for a sweep of -20 dBFS is outside a mask. It
// names the frequency at which it is furthest outside. The gain of a compressor or
// expander is the one at the level of the sweep.
func Response(t testing.TB, p Processor, mask Mask) {
	t.Helper()
	if err := mask.bounds().Check(); err != nil {
		t.Errorf("%s: %v", p.name(), err)
		return
	}
	bounds := mask.bounds()
	for c, f := range p.curves(t) {
		low, high := mask[0].Hz, mask[len(mask)-1].Hz
		if first, last := f.Hz[0], f.Hz[len(f.Hz)-1]; low < first || high > last {
			t.Errorf("%s: found a mask from %s to %s; accepted at %d Hz: %s to %s", p.name(), spectra.HzText(low), spectra.HzText(high), p.rate(), spectra.HzText(first), spectra.HzText(last))
			return
		}
		var worst measure.Judgement
		most := math.Inf(-1)
		offer := func(hz, gainDB float64) {
			least, largest := bounds.At(hz)
			over := max(least-gainDB, gainDB-largest)
			if !(over > most) && !math.IsNaN(gainDB) {
				return
			}
			most = over
			limit := measure.Limit{Reading: "gain_db"}
			if !math.IsInf(least, 0) {
				limit.Min = &least
			}
			if !math.IsInf(largest, 0) {
				limit.Max = &largest
			}
			subject := fmt.Sprintf("%s, sweep, channel %d, %s", p.name(), c+1, spectra.HzText(hz))
			worst = measure.Judge(subject, 0, levelReading("gain_db", gainDB, "dB"), limit)
			if limit.Min == nil && limit.Max == nil {
				worst.Verdict = measure.Pass
			}
		}
		for _, corner := range mask {
			offer(corner.Hz, f.DB(corner.Hz))
		}
		for i, hz := range f.Hz {
			if hz >= low && hz <= high {
				offer(hz, dsp.AmplitudeToDB(cmplx.Abs(f.Gain[i])))
			}
		}
		hold(t, worst)
	}
}

// Corner fails the test where a corner frequency differs from the wanted one by more than
// a tolerance in percent. The corner is where the gain is 3.01 dB (half the power) below
// that at a frequency of the passband; of several such frequencies the one nearest to the
// passband. A wanted corner below the passband is that of a high-pass, one above it that
// of a low-pass.
func Corner(t testing.TB, p Processor, passbandHz, wantHz, tolerancePercent float64) {
	t.Helper()
	if !(passbandHz > 0) || !(wantHz > 0) || passbandHz == wantHz {
		t.Errorf("%s: found a passband at %g Hz and a corner at %g Hz; accepted: two different frequencies above 0", p.name(), passbandHz, wantHz)
		return
	}
	for c, f := range p.curves(t) {
		first, last := f.Hz[0], f.Hz[len(f.Hz)-1]
		if min(passbandHz, wantHz) < first || max(passbandHz, wantHz) > last {
			t.Errorf("%s: found %s and %s; accepted at %d Hz: %s to %s", p.name(), spectra.HzText(passbandHz), spectra.HzText(wantHz), p.rate(), spectra.HzText(first), spectra.HzText(last))
			return
		}
		end, kind := last, "low-pass"
		if wantHz < passbandHz {
			end, kind = first, "high-pass"
		}
		subject := fmt.Sprintf("%s, sweep, channel %d, %s", p.name(), c+1, kind)
		hold(t, measure.Judge(subject, 0, f.CornerReadings(passbandHz, end), measure.Between("corner_hz", wantHz, wantHz*tolerancePercent/100)))
	}
}

// levelReading is one level, which may be that of exact zeros.
func levelReading(name string, db float64, unit string) measure.Readings {
	about := measure.Reading{Value: db, Unit: unit}
	switch {
	case math.IsNaN(db):
		about.Reason = "not a number"
	case math.IsInf(db, -1):
		about.Reason, about.Beyond = "nothing: exactly 0 comes out", -1
	case math.IsInf(db, 1):
		about.Reason, about.Beyond = "infinite", 1
	}
	var r measure.Readings
	r.Add(name, about)
	return r
}

// farther is the distance of two levels; a level that is not a number has the largest
// one.
func farther(a, b float64) float64 {
	if d := math.Abs(a - b); !math.IsNaN(d) {
		return d
	}
	return math.Inf(1)
}
