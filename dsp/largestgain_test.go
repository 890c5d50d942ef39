package dsp

import (
	"math"
	"math/rand/v2"
	"testing"
)

// The largest gain found is that of a grid a thousand times as fine, for random
// equalisers at the bounds of their settings.
func TestLargestGainAgainstFineGrid(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 19))
	for range 12 {
		rate := []int{8000, 48000, 192000}[rng.IntN(3)]
		var s EqualiserSettings
		for range 1 + rng.IntN(3) {
			s.Bands = append(s.Bands, Band{Shape: BandShape(rng.IntN(4)), CentreHz: 20 * math.Pow(0.45*float64(rate)/20, rng.Float64()),
				GainDB: 48 * (rng.Float64() - 0.5), Q: 0.1 * math.Pow(300, rng.Float64())})
		}
		e, err := NewEqualiser(s, rate, 1)
		if err != nil {
			t.Fatal(err)
		}
		db, hz := e.LargestGain(float64(rate))
		most := math.Inf(-1)
		for k := range 100_001 {
			f := math.Pow(float64(rate)/2, float64(k)/100_000)
			h := e.Response(f, float64(rate))
			most = max(most, 20*math.Log10(math.Hypot(real(h), imag(h))))
		}
		// The fine grid lies up to 6e-5 of the frequency beside a peak, whose Q is at
		// most 30 times the square root of the gain, 120 at 24 dB: 10·lg(1 + (2·120·6e-5)²)
		// is 0.001 dB.
		if math.Abs(db-most) > 0.002 {
			t.Errorf("%d Hz, %+v: %.4f dB at %.1f Hz, the fine grid has %.4f", rate, s.Bands, db, hz, most)
		}
	}
}

// What a shelf does beyond its gain. The worked example is the Cookbook's analogue
// low-shelf at f = f0/√A, where its denominator is smallest:
// |H|² = A²·((A − 1/A)²·Q² + 1), or 52.98 dB for 24 dB and a Q of 30.
func TestLargestGainOfResonantShelf(t *testing.T) {
	for _, c := range []struct {
		b    Band
		want float64
	}{
		{Band{Shape: LowShelf, CentreHz: 1000, GainDB: 12, Q: 0.7071}, 12},
		{Band{Shape: HighShelf, CentreHz: 1000, GainDB: 12, Q: 0.5}, 12},
		{Band{Shape: Bell, CentreHz: 1000, GainDB: 12, Q: 30}, 12},
		{Band{Shape: Notch, CentreHz: 1000, Q: 5}, 0},
	} {
		if db, _ := (EqualiserSettings{Bands: []Band{c.b}}).LargestGain(); math.Abs(db-c.want) > 0.01 {
			t.Errorf("%+v: %.3f dB, want %.3f", c.b, db, c.want)
		}
	}
	s := EqualiserSettings{Bands: []Band{{Shape: LowShelf, CentreHz: 21_600, GainDB: 24, Q: 30}}}
	if db, hz := s.LargestGain(); math.Abs(db-52.98) > 0.02 || math.Abs(hz/(21_600/1.9953)-1) > 0.001 {
		t.Errorf("the resonant shelf: %.2f dB at %.0f Hz", db, hz)
	}
}
