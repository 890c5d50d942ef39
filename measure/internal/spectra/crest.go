package spectra

import (
	"math"
)

// anew is the number of bins after which the phase is computed afresh, so that the rounding
// errors of the recurrence stay below 1e-14.
const anew = 64

// Crest is the maximum of |Σ Re(X_k e^(jωτ))| by τ near a lag in frames, for half a
// spectrum X of a length: the peak of a band-limited wave between its samples.
func Crest(spectrum []complex128, length int, lag float64) (at, value float64) {
	for range 8 { // Newton; from within half a frame it needs 3
		var first, second float64
		value = 0
		step := 2 * math.Pi / float64(length)
		turnSin, turnCos := math.Sincos(step * lag)
		var sin, cos float64
		for k, v := range spectrum {
			w := step * float64(k)
			if k%anew == 0 {
				sin, cos = math.Sincos(w * lag)
			} else {
				sin, cos = sin*turnCos+cos*turnSin, cos*turnCos-sin*turnSin
			}
			value += real(v)*cos - imag(v)*sin
			first -= w * (real(v)*sin + imag(v)*cos)
			second -= w * w * (real(v)*cos - imag(v)*sin)
		}
		if second*value >= 0 { // not a maximum
			break
		}
		move := max(-1, min(1, first/second))
		lag -= move
		if math.Abs(move) < 1e-9 {
			break
		}
	}
	return lag, value
}
