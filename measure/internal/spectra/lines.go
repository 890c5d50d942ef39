package spectra

import (
	"math"
	"math/cmplx"

	"github.com/boothbench/boothbench/dsp/vector"
)

// Lines measures sines of known frequency in a stretch of sound: its Fourier
// transform at that frequency, through a window whose mean (its coherent gain) is
// divided out. The frequency need not fit the length.
type Lines struct {
	Windowed []float64
	rate     int
	gain     float64 // half the sum of the window
}

func NewLines(x []float64, rate int) *Lines { return linesThrough(LowLeakage(len(x)), x, rate) }

// linesThrough is NewLines with another window, which it keeps.
func linesThrough(window, x []float64, rate int) *Lines {
	l := &Lines{Windowed: window, rate: rate}
	for n, w := range l.Windowed {
		l.gain += w / 2
		l.Windowed[n] = w * x[n]
	}
	return l
}

// At measures the sine at a frequency in Hz. The modulus is its peak amplitude, the angle the
// phase of a cosine at the first frame.
func (l *Lines) At(hz float64) complex128 {
	sum := complex(0, 0)
	step, four := phasor(hz, 1, l.rate), phasor(hz, 4, l.rate)
	for from := 0; from < len(l.Windowed); from += rotation {
		part := l.Windowed[from:min(len(l.Windowed), from+rotation)]
		turn := phasor(hz, from, l.rate)
		t := vector.Turning{StepRe: real(four), StepIm: imag(four)}
		for i := range t.Re {
			t.Re[i], t.Im[i] = real(turn), imag(turn)
			turn *= step
		}
		taken := t.Add(part)
		for i, v := range part[taken:] {
			t.SumRe[i] += v * t.Re[i]
			t.SumIm[i] += v * t.Im[i]
		}
		sum += complex((t.SumRe[0]+t.SumRe[1])+(t.SumRe[2]+t.SumRe[3]), -((t.SumIm[0] + t.SumIm[1]) + (t.SumIm[2] + t.SumIm[3])))
	}
	return sum / complex(l.gain, 0)
}

// BinHz is the resolution in Hz: 1 / length in seconds.
func (l *Lines) BinHz() float64 { return float64(l.rate) / float64(len(l.Windowed)) }

// NoiseAround is the mean square of the modulus of At at frequencies next to the given one:
// the noise in a line there.
func (l *Lines) NoiseAround(hz float64) float64 {
	sum, count := 0.0, 0.0
	for _, bins := range []float64{8, 9.5, 11, 12.5, 14} {
		for _, f := range []float64{hz - bins*l.BinHz(), hz + bins*l.BinHz()} {
			if f > 0 && f < float64(l.rate)/2 {
				v := cmplx.Abs(l.At(f))
				sum, count = sum+v*v, count+1
			}
		}
	}
	return sum / max(1, count)
}

// By how many standard deviations a line may be off where NoiseAround has read the noise:
// ten lines through one window, 1.5 bins apart, overlap by 0.77 and are worth 9.5 degrees
// of freedom (a test computes them), so that the deviation is an estimate itself. Student's
// t (1908) for the shares of a normal distribution within two and three deviations, 95.45
// and 99.73 %.
const (
	TwoDeviations   = 2.3
	ThreeDeviations = 4.0
)

// rotation is the number of frames after which a rotating phasor is computed afresh.
const rotation = 512

// phasor is e^(j2πft) at a frame, its phase reduced exactly.
func phasor(hz float64, frame, rate int) complex128 {
	turns := math.Mod(hz*float64(frame), float64(rate)) / float64(rate)
	return cmplx.Rect(1, 2*math.Pi*turns)
}

// Subtract subtracts a sine, as At measured it, from a part of a sound.
func Subtract(x []float64, rate int, hz float64, sine complex128) {
	for from := 0; from < len(x); from += rotation {
		turn, step := sine*phasor(hz, from, rate), phasor(hz, 1, rate)
		for n := from; n < min(len(x), from+rotation); n++ {
			x[n] -= real(turn)
			turn *= step
		}
	}
}

// Refine is the frequency of a steady sine near one that is expected: a
// recorder's clock makes it differ by some millionths. The phase runs on between
// two neighbouring stretches by 2π·Δf·T; stretches grow, so that the phase is
// never more than half a turn off.
func Refine(x []float64, rate int, hz float64) float64 {
	const periods = 16 // a stretch needs, to keep the sine from its mirror image
	for parts := 64; parts >= 2; parts /= 2 {
		length := len(x) / parts
		if float64(length)*hz < periods*float64(rate) {
			continue
		}
		middle := len(x) / 2
		before := NewLines(x[middle-length:middle], rate).At(hz) * phasor(hz, length, rate)
		after := NewLines(x[middle:middle+length], rate).At(hz)
		if before == 0 || after == 0 {
			return hz
		}
		hz += cmplx.Phase(after/before) / (2 * math.Pi) * float64(rate) / float64(length)
	}
	return hz
}
