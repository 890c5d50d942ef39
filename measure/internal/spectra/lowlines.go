package spectra

import (
	"math"
	"math/cmplx"

	"github.com/boothbench/boothbench/dsp/vector"
)

// LowLines measures sines of low frequency in a stretch of sound as [Lines] does, in a
// fraction of the time. It keeps the windowed sound at a lower rate, behind a low-pass
// whose response at each frequency is divided out. What folds down from higher
// frequencies lies below −180 dB, the side lobes of LowLeakage.
type LowLines struct {
	Frames    int // of the stretch
	rate      int
	step      int // frames between two that are kept
	low, pass Lines
	gain      float64
}

// LowLinesThrough uses a given window, which it changes, and measures up to a frequency
// in Hz.
func LowLinesThrough(window, x []float64, rate int, highestHz float64) *LowLines {
	whole := linesThrough(window, x, rate)
	l := &LowLines{Frames: len(x), rate: rate, step: 1, gain: whole.gain}
	for float64(rate) >= 8*highestHz*float64(l.step) { // the lower rate stays over four times the highest
		l.step *= 2
	}
	pass, low := []float64{1}, whole.Windowed
	if l.step > 1 {
		step := float64(l.step)
		pass = LowLeakage(int(math.Ceil(LobeBins * step / (1 - highestHz*step/float64(rate)))))
		low = thinnedBy(l.step, pass, whole.Windowed)
	}
	l.pass = Lines{Windowed: pass, rate: rate, gain: 1}
	l.low = Lines{Windowed: low, rate: rate, gain: 1}
	return l
}

// thinnedBy is each step-th value of a sound behind a filter, from the first to the last
// that is not 0.
func thinnedBy(step int, filter, x []float64) []float64 {
	taps := len(filter)
	low := make([]float64, (len(x)+taps-2)/step+1)
	padded := make([]float64, (len(low)+3)*step+taps) // four values are read at a time
	copy(padded[taps-1:], x)
	for m := 0; m < len(low); m += 4 {
		at := padded[m*step:]
		four := vector.Dots4(filter, at, at[step:], at[2*step:], at[3*step:])
		copy(low[m:], four[:])
	}
	return low
}

// At is the peak amplitude of the sine at a frequency in Hz.
func (l *LowLines) At(hz float64) float64 {
	return float64(l.step) * cmplx.Abs(l.low.At(hz*float64(l.step))) / cmplx.Abs(l.pass.At(hz)) / l.gain
}

// BinHz is the resolution in Hz: 1 / length in seconds.
func (l *LowLines) BinHz() float64 { return float64(l.rate) / float64(l.Frames) }
