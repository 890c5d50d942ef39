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

// Mask bounds a gain in dB over frequency: corner points in the order of their
// frequencies, with straight lines between them over the logarithm of frequency.
// Two points of one frequency are a step. Outside the points nothing is held.
type Mask []MaskPoint

// MaskPoint is a corner of a Mask. A bound may be infinite: ±math.Inf.
type MaskPoint struct{ Hz, MinDB, MaxDB float64 }

// responseSweep covers 15 Hz to 20.7 kHz at rates from 44100 Hz, less at lower ones.
func (p Processor) responseSweep() stimulus.Sweep {
	s := stimulus.StandardSweep(stimulus.DefaultPeakDBFS)
	s.FromHz, s.ToHz, s.Seconds, s.Channels = 10, min(s.ToHz, 0.49*float64(p.rate())), 2, p.channels()
	return s
}

// curves are the responses of all channels to a sweep of -20 dBFS, nil where the test
// has failed.
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

// Response fails the test where the gain for a sweep of -20 dBFS leaves a mask. It
// names the frequency at which it is furthest outside. A processor that works by
// level has its gain at the level of the sweep, as fast as it can follow.
func Response(t testing.TB, p Processor, mask Mask) {
	t.Helper()
	if err := mask.check(); err != nil {
		t.Errorf("%s: %v", p.name(), err)
		return
	}
	for c, f := range p.curves(t) {
		low, high := mask[0].Hz, mask[len(mask)-1].Hz
		if first, last := f.Hz[0], f.Hz[len(f.Hz)-1]; low < first || high > last {
			t.Errorf("%s: found a mask from %s to %s; accepted at %d Hz: %s to %s", p.name(), spectra.HzText(low), spectra.HzText(high), p.rate(), spectra.HzText(first), spectra.HzText(last))
			return
		}
		var worst measure.Judgement
		most := math.Inf(-1)
		offer := func(hz, gainDB float64) {
			least, largest := mask.at(hz)
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

func (m Mask) check() error {
	if len(m) < 2 {
		return fmt.Errorf("found a mask of %d points; accepted: two or more", len(m))
	}
	bounded := false
	for i, p := range m {
		switch {
		case !(p.Hz > 0) || math.IsInf(p.Hz, 0), i > 0 && p.Hz < m[i-1].Hz:
			return fmt.Errorf("point %d of the mask: found %g Hz; accepted: frequencies above 0 that rise", i+1, p.Hz)
		case !(p.MinDB <= p.MaxDB), math.IsInf(p.MinDB, 1), math.IsInf(p.MaxDB, -1):
			return fmt.Errorf("point %d of the mask: found %g to %g dB; accepted: a minimum up to the maximum", i+1, p.MinDB, p.MaxDB)
		}
		bounded = bounded || !math.IsInf(p.MinDB, 0) || !math.IsInf(p.MaxDB, 0)
	}
	if !bounded {
		return fmt.Errorf("found a mask without a bound; accepted: at least one finite minimum or maximum")
	}
	return nil
}

// at are the bounds at a frequency. At a step both sides have to be met; a line to
// an infinite bound has no bound between its ends.
func (m Mask) at(hz float64) (least, most float64) {
	least, most = math.Inf(-1), math.Inf(1)
	for i := 1; i < len(m); i++ {
		a, b := m[i-1], m[i]
		if hz < a.Hz || hz > b.Hz {
			continue
		}
		if a.Hz == b.Hz {
			continue // the lines on either side end here
		}
		share := math.Log(hz/a.Hz) / math.Log(b.Hz/a.Hz)
		least = max(least, onLine(a.MinDB, b.MinDB, share, -1))
		most = min(most, onLine(a.MaxDB, b.MaxDB, share, 1))
	}
	return least, most
}

func onLine(a, b, share float64, open int) float64 {
	switch {
	case share <= 0:
		return a
	case share >= 1:
		return b
	case math.IsInf(a, 0) || math.IsInf(b, 0):
		return math.Inf(open)
	}
	return (1-share)*a + share*b
}

// Corner fails the test where the frequency at which the gain has fallen by 3.01 dB
// (half the power) from that at a frequency of the passband is further from a wanted
// one than a tolerance in percent. A wanted corner below the passband's frequency is
// a high-pass's, one above it a low-pass's. The crossing nearest to the passband
// counts.
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

// farther is how far apart two levels are; one that is not a number is farthest.
func farther(a, b float64) float64 {
	if d := math.Abs(a - b); !math.IsNaN(d) {
		return d
	}
	return math.Inf(1)
}
