package spectra

import (
	"math"
	"math/cmplx"
)

// anew is the number of bins after which the phase is computed afresh, so that the rounding
// errors of the recurrence stay below 1e-14.
const anew = 64

// Crest is the maximum of |Σ Re(X_k e^(jωτ))| by τ near a lag in frames, for half a
// spectrum X of a length: the peak of a band-limited wave between its samples.
func Crest(spectrum []complex128, length int, lag float64) (at, value float64) {
	return crest(lag, func(lag float64) (value, first, second float64) {
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
		return value, first, second
	})
}

// crest is a maximum of a wave's magnitude near a lag. wave returns the value and the first
// two derivatives.
func crest(lag float64, wave func(lag float64) (value, first, second float64)) (at, value float64) {
	for range 8 { // Newton; from within half a frame it needs 3
		var first, second float64
		value, first, second = wave(lag)
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

// NearWave is the band-limited wave of half a spectrum near lag 0. Its bins are gathered in
// groups, each with its moments about its middle: a bin that lies δ beside the middle w
// turns by e^(jwτ)·e^(jδτ), and the second factor is its Taylor series up to the fourth
// power. Of 256 groups δ is π/512 at most, so that within a frame of 0 the fifth power, the
// first that is left out, is 7e-14 of the bin.
type NearWave struct {
	first, apart float64 // radians a frame: of the first middle, and from one to the next
	groups       []moments
}

// moments are a group's coefficients of the powers of τ.
type moments [5]complex128

const waveGroups = 256

// NewNearWave gathers half a spectrum of a length.
func NewNearWave(spectrum []complex128, length int) *NearWave {
	size := max(1, (len(spectrum)+waveGroups-1)/waveGroups)
	step := 2 * math.Pi / float64(length)
	middle := float64(size-1) / 2
	w := &NearWave{first: middle * step, apart: float64(size) * step}
	for from := 0; from < len(spectrum); from += size {
		var re, im [5]float64
		for k, v := range spectrum[from:min(len(spectrum), from+size)] {
			beside := (float64(k) - middle) * step
			a, b := real(v), imag(v)
			for m := range re {
				re[m], im[m] = re[m]+a, im[m]+b
				a, b = a*beside, b*beside
			}
		}
		// Times j^m / m!.
		w.groups = append(w.groups, moments{
			complex(re[0], im[0]), complex(-im[1], re[1]), complex(-re[2]/2, -im[2]/2), complex(im[3]/6, -re[3]/6), complex(re[4]/24, im[4]/24),
		})
	}
	return w
}

// At is Σ Re(X_k e^(jωτ)) at a lag τ in frames.
func (w *NearWave) At(lag float64) float64 {
	value, _, _ := w.at(lag)
	return value
}

// at is that sum and its first two derivatives.
func (w *NearWave) at(lag float64) (value, first, second float64) {
	t := complex(lag, 0)
	turn, step := complex(0, 0), cmplx.Rect(1, w.apart*lag)
	for i, m := range w.groups {
		f := w.first + float64(i)*w.apart
		if i%anew == 0 {
			turn = cmplx.Rect(1, f*lag)
		}
		v := m[0] + t*(m[1]+t*(m[2]+t*(m[3]+t*m[4])))
		d := m[1] + t*(2*m[2]+t*(3*m[3]+t*(4*m[4])))
		dd := 2*m[2] + t*(6*m[3]+t*(12*m[4]))
		jf := complex(0, f)
		value += real(turn * v)
		first += real(turn * (jf*v + d))
		second += real(turn * (jf*(jf*v+2*d) + dd))
		turn *= step
	}
	return value, first, second
}

// Crest is the crest near a lag, within a frame of 0.
func (w *NearWave) Crest(lag float64) (at, value float64) { return crest(lag, w.at) }
