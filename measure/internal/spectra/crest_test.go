package spectra

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"
)

// Near lag 0, a wave by its groups is the sum over its bins, and has its crest where that
// has it. Tolerance: 1e-12 of the sum of the magnitudes, as the fifth power within 1.5
// frames is 5e-13, and Newton's end of 1e-9 frames.
func TestNearWave(t *testing.T) {
	rng := rand.New(rand.NewPCG(91, 92))
	for _, length := range []int{2, 64, 1000, 1 << 15} {
		for range 5 {
			bins := make([]complex128, length/2+1)
			all, delay := 0.0, rng.Float64()-0.5
			for k := range bins { // a pulse with some noise
				bins[k] = cmplx.Rect(1, -2*math.Pi*float64(k)*delay/float64(length)) + complex(0.1*rng.NormFloat64(), 0.1*rng.NormFloat64())
				all += cmplx.Abs(bins[k])
			}
			wave := NewNearWave(bins, length)
			for lag := -1.5; lag <= 1.5; lag += 0.3 {
				want := 0.0
				for k, v := range bins {
					want += real(v * cmplx.Rect(1, 2*math.Pi*float64(k)*lag/float64(length)))
				}
				if got := wave.At(lag); math.Abs(got-want) > 1e-12*all {
					t.Fatalf("%d frames, lag %g: %g, bin by bin %g", length, lag, got, want)
				}
			}
			at, value := wave.Crest(delay)
			wantAt, want := Crest(bins, length, delay)
			if math.Abs(at-wantAt) > 2e-9 || math.Abs(value-want) > 1e-12*all {
				t.Fatalf("%d frames: %g at %g, bin by bin %g at %g", length, value, at, want, wantAt)
			}
		}
	}
}
