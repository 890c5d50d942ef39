package dsp

import (
	"fmt"
	"math"
	"testing"
)

// analogue is the Cookbook's prototype evaluated as a complex function, apart
// from the squared form that the design uses.
func analogue(b Band, hz float64) float64 {
	s := complex(0, hz/b.CentreHz)
	a := complex(math.Pow(10, b.GainDB/40), 0)
	q := complex(b.Q, 0)
	root := complex(math.Sqrt(real(a)), 0)
	switch b.Shape {
	case Bell:
		return decibels((s*s + s*a/q + 1) / (s*s + s/(a*q) + 1))
	case LowShelf:
		return decibels(a * (s*s + root/q*s + a) / (a*s*s + root/q*s + 1))
	case HighShelf:
		return decibels(a * (a*s*s + root/q*s + 1) / (s*s + root/q*s + a))
	default:
		return decibels((s*s + 1) / (s*s + s/q + 1))
	}
}

// The promise: within 0.1 dB of the analogue prototype from 20 Hz to 20 kHz at
// 48 kHz for gains up to ±12 dB. The other rows hold what was measured, so
// that a change for the worse shows.
func TestMatchedStaysNearThePrototype(t *testing.T) {
	centres := []float64{20, 45, 100, 300, 1000, 2000, 3300, 5000, 7000, 8000, 9000, 10000, 11000, 12000, 13000, 14000, 15000, 16000, 17000, 18000, 19000, 20000}
	qs := []float64{0.5, 0.6, 0.7071, 1, 1.4, 2, 4, 8}
	if !exhaustive() {
		centres, qs = []float64{1000, 14000, 18000}, []float64{0.5, 1, 4}
	}
	for _, c := range []struct {
		rate  int
		shape BandShape
		gain  float64
		limit float64 // dB
	}{
		{48000, Bell, 3, 0.1}, {48000, Bell, 12, 0.1}, {48000, Bell, -12, 0.1},
		{48000, LowShelf, 6, 0.1}, {48000, LowShelf, 12, 0.1}, {48000, LowShelf, -12, 0.1},
		{48000, HighShelf, 6, 0.1}, {48000, HighShelf, 12, 0.1}, {48000, HighShelf, -12, 0.1},
		{48000, Notch, 0, 0.1},
		{44100, Bell, 12, 0.14}, {44100, LowShelf, 12, 0.12}, {44100, HighShelf, 12, 0.3}, {44100, Notch, 0, 0.2},
		{96000, Bell, 12, 0.01}, {96000, LowShelf, 12, 0.01}, {96000, HighShelf, 12, 0.01}, {96000, Notch, 0, 0.01},
		{32000, Bell, 12, 0.5}, {8000, Bell, 6, 0.5}, // up to 0.49 of the rate
	} {
		worst, at := 0.0, ""
		for _, hz := range centres {
			for _, q := range qs {
				if (c.shape == LowShelf || c.shape == HighShelf) && q > 1 || hz >= 0.49*float64(c.rate) {
					continue
				}
				b := newBand(c.shape, hz, c.gain, q)
				e, err := NewEqualiser(EqualiserSettings{Bands: []Band{b}}, c.rate, 1)
				if err != nil {
					t.Fatal(err)
				}
				seen := 0.0
				top := math.Min(20000, 0.49*float64(c.rate))
				for k := 0; k <= 400; k++ {
					f := 20 * math.Pow(top/20, float64(k)/400)
					want := analogue(b, f)
					if want < -40 {
						continue // next to a notch, see DeviationDB
					}
					seen = max(seen, math.Abs(decibels(e.Response(f, float64(c.rate)))-want))
				}
				if seen > worst {
					worst, at = seen, fmt.Sprintf("%g Hz, Q %g", hz, q)
				}
				// What the equaliser states about its deviation is what a
				// coarse grid shows, or more: it evaluates more frequencies
				// around the centre, where a notch's error is largest.
				if said := e.DeviationDB(); said < seen-0.003 || said > 4*seen+0.003 {
					t.Errorf("%d Hz, %+v: states %.4f dB, measured %.4f dB", c.rate, b, said, seen)
				}
			}
		}
		t.Logf("%d Hz, shape %d, %g dB: within %.3f dB, worst at %s", c.rate, c.shape, c.gain, worst, at)
		if worst > c.limit {
			t.Errorf("%d Hz, shape %d, %g dB: %.3f dB off at %s, limit %g", c.rate, c.shape, c.gain, worst, at, c.limit)
		}
	}
}

// The bilinear form deviates at the same settings; this is why the fit exists.
func TestCookbookDesignNarrows(t *testing.T) {
	// The bilinear transform maps the Nyquist frequency to infinity: a bell at
	// 12 kHz, Q 0.7, +12 dB is 5.4 dB under its prototype at 20 kHz.
	b := newBand(Bell, 12000, 12, 0.7)
	e, err := NewEqualiser(EqualiserSettings{Bands: []Band{b}, Design: Cookbook}, 48000, 1)
	if err != nil {
		t.Fatal(err)
	}
	if d := e.DeviationDB(); d < 5 || d > 6 {
		t.Errorf("deviation %.3f dB, want about 5.4", d)
	}
	if got, want := e.sections[0], CookbookBell(12000, 12, 0.7, 48000); got != want {
		t.Errorf("section %+v, want the Cookbook's %+v", got, want)
	}
}

func TestEqualiserLaws(t *testing.T) {
	// A cut is the inverse of the boost, where one section does; a notch has
	// its zero exactly at its centre; no gain is no section.
	boost, _ := NewEqualiser(EqualiserSettings{Bands: []Band{newBand(Bell, 9000, 8, 1)}}, 48000, 1)
	cut, _ := NewEqualiser(EqualiserSettings{Bands: []Band{newBand(Bell, 9000, -8, 1)}}, 48000, 1)
	for _, hz := range []float64{100, 5000, 9000, 20000} {
		if d := decibels(boost.Response(hz, 48000) * cut.Response(hz, 48000)); math.Abs(d) > 2*boost.DeviationDB()+1e-9 {
			t.Errorf("boost and cut leave %g dB at %g Hz", d, hz)
		}
	}
	for _, design := range []FilterDesign{Matched, Cookbook} {
		for _, hz := range []float64{50, 1000, 15000} {
			notch, err := NewEqualiser(EqualiserSettings{Bands: []Band{newBand(Notch, hz, 0, 3)}, Design: design}, 48000, 1)
			if err != nil {
				t.Fatal(err)
			}
			// The zero is a rounding away from the unit circle.
			if d := decibels(notch.Response(hz, 48000)); d > -180 {
				t.Errorf("notch at %g Hz: %g dB", hz, d)
			}
		}
	}
	flat, _ := NewEqualiser(EqualiserSettings{Bands: []Band{newBand(Bell, 9000, 0, 1), newBand(LowShelf, 100, 0, 1)}}, 48000, 1)
	if len(flat.sections) != 0 {
		t.Errorf("bands without gain make %d sections", len(flat.sections))
	}
	for _, bad := range []Band{newBand(Bell, 24000, 3, 1), newBand(Bell, 0, 3, 1), newBand(Bell, 100, 3, 0), newBand(Bell, 100, math.NaN(), 1), newBand(BandShape(9), 100, 1, 1)} {
		if _, err := NewEqualiser(EqualiserSettings{Bands: []Band{bad}}, 48000, 1); err == nil {
			t.Errorf("%+v: no error", bad)
		}
	}
}

func BenchmarkMatched(b *testing.B) {
	for b.Loop() {
		matched(newBand(Bell, 12000, 12, 0.7), 48000)
	}
}

func newBand(shape BandShape, centreHz, gainDB, q float64) Band {
	return Band{Shape: shape, CentreHz: centreHz, GainDB: gainDB, Q: q}
}

// PowerGain is the squared magnitude of the Cookbook's prototype.
func TestPowerGainIsThePrototypes(t *testing.T) {
	for _, shape := range []BandShape{Bell, LowShelf, HighShelf, Notch} {
		b := Band{Shape: shape, CentreHz: 1000, GainDB: -5, Q: 0.8}
		for _, hz := range []float64{30, 700, 1100, 4000, 20000} {
			got, want := PowerToDB(b.PowerGain(hz)), analogue(b, hz)
			if math.Abs(got-want) > 1e-9 { // two forms of one expression in float64
				t.Errorf("shape %d at %g Hz: %.12f dB, want %.12f", shape, hz, got, want)
			}
		}
	}
}
