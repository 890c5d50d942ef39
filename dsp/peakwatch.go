package dsp

import "math"

// peakMeters are the interpolators by which the limiter sees peaks.
type peakMeters struct {
	half        int // of the longer one
	short, long *Polyphase
	l1          float64
	flat, bend  float64 // Bound of both
}

// newPeakMeters takes Annex 2 and 16 phases of a windowed sinc. With 32 taps
// and β = 6.5 speech and other sound below 20 kHz is read to within 0.02 dB.
func newPeakMeters(half int) *peakMeters {
	short, long := Annex2(), WindowedSinc(16, 2*half, 6.5)
	f0, b0 := short.Bound()
	f1, b1 := long.Bound()
	return &peakMeters{half: half, short: short, long: long, l1: max(short.L1(), long.L1()), flat: max(f0, f1), bend: max(b0, b1)}
}

// peakWatch finds the reduction that each frame of one channel needs so that
// no interval next to it peaks over the ceiling. It speaks of frame t − half
// when it has heard frame t.
type peakWatch struct {
	*peakMeters
	ceiling  float64
	heard    []float64 // the last 2·half − 1 frames, and the running cell's
	tailPeak float64   // largest |sample| of the frames kept from before
	between  float64   // what the interpolators read in the interval before
}

func newPeakWatch(m *peakMeters, ceiling float64) *peakWatch {
	return &peakWatch{
		peakMeters: m, ceiling: ceiling,
		heard: make([]float64, 2*m.half-1+cell),
	}
}

// run hears the frames of x, a cell at most, and fills need with the
// reductions, 0 to 1. It tells whether any is needed; if not, need is not
// filled.
func (w *peakWatch) run(need, x []float64) bool {
	kept := 2*w.half - 1
	heard := w.heard[:kept+len(x)]
	copy(heard[kept:], x)
	needed := w.look(need, heard, peakOf(x))
	copy(w.heard, heard[len(x):])
	return needed
}

func (w *peakWatch) look(need, heard []float64, peak float64) bool {
	kept := 2*w.half - 1
	bound := max(peak, w.tailPeak)
	if len(need) >= kept {
		w.tailPeak = peak
	} else {
		w.tailPeak = peakOf(heard[len(need):])
	}
	// Two bounds that no interpolated value can pass. What they prove to lie
	// under the ceiling is not interpolated; it would need no reduction.
	if bound*w.l1 <= w.ceiling {
		w.between = 0
		return false
	}
	bend := w.bend * flexureOf(heard)
	if w.flat*bound+bend <= w.ceiling {
		w.between = 0
		return false
	}
	needed := false
	after := math.Abs(heard[w.half-1])
	for i := range need {
		sample := after
		after = math.Abs(heard[w.half+i])
		between := 0.0
		if !(w.flat*max(sample, after)+bend <= w.ceiling) {
			between = w.read(heard[i : i+2*w.half])
		}
		peak := max(sample, w.between, between)
		w.between = between
		need[i] = 0
		if peak > w.ceiling {
			need[i] = 1 - w.ceiling/peak
			needed = true
		}
	}
	return needed
}

// read is the largest value that both interpolators read in an interval.
func (w *peakWatch) read(x []float64) float64 {
	edge := w.half - w.short.Half()
	return max(w.long.Peak(x), w.short.Peak(x[edge:len(x)-edge]))
}

// peakOf is the largest |sample|. Positive numbers order as their bits do.
func peakOf(x []float64) float64 {
	var largest uint64
	for _, v := range x {
		largest = max(largest, math.Float64bits(v)<<1)
	}
	return math.Float64frombits(largest >> 1)
}

// flexureOf is the largest second difference.
func flexureOf(x []float64) float64 {
	var largest uint64
	for i := 2; i < len(x); i++ {
		d := (x[i-2] + x[i]) - 2*x[i-1]
		largest = max(largest, math.Float64bits(d)<<1)
	}
	return math.Float64frombits(largest >> 1)
}

func (w *peakWatch) reset() {
	clear(w.heard)
	w.tailPeak, w.between = 0, 0
}
