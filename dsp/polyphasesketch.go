package dsp

import (
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp/vector"
)

// Sketches are coarse forms of a long bank: some of its rows, or the middle of some of
// its rows, with a bound on what they miss. They cost less in proportion to their size.
// They decide most windows of a signal, such as noise, for which no other bound is close
// enough.
type Sketches []sketch

// sketch is the middle of some rows of a bank. A reading of the bank exceeds the largest
// of the sketch's readings and of the two samples beside the interval by at most missed
// times the largest |sample| of the window plus outside times the root of the sum of
// squares of the window's other samples, which the sketch does not read.
type sketch struct {
	bank *Polyphase
	sketchBound
}

// sketchBound is what a sketch misses.
type sketchBound struct{ missed, outside float64 }

// SketchSize selects one row in every Every (1: all), and Half taps of it on either side of the
// interval; Half 0: all taps.
type SketchSize struct{ Every, Half int }

// Sketches returns a sketch for each size; give the cheapest size first. Every must
// divide Rows+1, and unless it is 1 the rows of the bank must read at equal distances inside
// an interval, as WindowedSinc's do.
//
// Derivation of missed: a row h between two kept rows f and g is αf + (1−α)g + ρ, with α
// from its position. The larger of two readings bounds any mean of them, and |ρ|'s
// reading is at most its L1 norm times the largest sample. What lies outside the middle
// reads no more than the product of both L2 norms (Cauchy–Schwarz).
func (b *Polyphase) Sketches(sizes ...SketchSize) Sketches {
	all := make(Sketches, len(sizes))
	for i, size := range sizes {
		all[i] = b.sketch(size)
	}
	return all
}

func (b *Polyphase) sketch(size SketchSize) sketch {
	return b.sketchOf(size, func(tap float64) float64 { return tap })
}

// sketchOf is a sketch of rows whose even and odd parts are rounded (see
// vector.Mirrored): missed counts what they are rounded by.
func (b *Polyphase) sketchOf(size SketchSize, rounded func(tap float64) float64) sketch {
	every, steps := size.Every, len(b.rows)+1
	if every < 1 || every >= steps || steps%every != 0 {
		panic(fmt.Sprintf("interpolator: a sketch of one in %d of %d rows", every, len(b.rows)))
	}
	half := size.Half
	if half < 1 || half > b.half {
		half = b.half
	}
	from, to := b.half-half, b.half+half
	var positions []float64
	var rows [][]float64
	for p := every - 1; p < len(b.rows); p += every {
		row := make([]float64, 2*half)
		for j := range half {
			early, late := b.rows[p][b.half-1-j], b.rows[p][b.half+j]
			even, odd := rounded((early+late)/2), rounded((early-late)/2)
			row[half-1-j], row[half+j] = even+odd, even-odd
		}
		positions, rows = append(positions, b.positions[p]), append(rows, row)
	}
	// What reads step steps after a sample: that sample, a kept row, or the next sample.
	kept := func(step int, taps []float64) {
		clear(taps)
		switch step {
		case 0:
			taps[b.half-1] = 1
		case steps:
			taps[b.half] = 1
		default:
			copy(taps[from:to], rows[step/every-1])
		}
	}
	missed, outside := 0.0, 0.0
	before, after := make([]float64, 2*b.half), make([]float64, 2*b.half)
	for p, row := range b.rows {
		kept((p+1)/every*every, before)
		kept(min(steps, ((p+1)/every+1)*every), after)
		share := float64((p+1)%every) / float64(every)
		sum, squares := 0.0, 0.0
		for j, h := range row {
			switch {
			case j < from || j >= to:
				squares += float64(h * h)
			default: // of a row that is kept: what it is rounded by
				sum += math.Abs(h - float64((1-share)*before[j]) - float64(share*after[j]))
			}
		}
		missed, outside = max(missed, sum), max(outside, math.Sqrt(squares))
	}
	return sketch{mustPolyphase(positions, rows), sketchBound{missed * boundMargin, outside * boundMargin}}
}

// MayExceed reports whether a reading of the bank over one of successive windows may
// exceed a limit. The windows are x[i : i+2·Half] for each index i of few, which is
// scratch memory. peak must be at least the largest |sample| of x, energy at least the
// sum of squares of what the sketches do not read of any of the windows.
func (s Sketches) MayExceed(x, few []float64, limit, peak, energy float64) bool {
	half := (len(x) - len(few) + 1) / 2
	sides := vector.Peak(x[half-1 : half+len(few)])
	for _, one := range s {
		beside := half - one.bank.half
		one.bank.Peaks(x[beside:len(x)-beside], few)
		if max(sides, vector.Peak(few))+one.missedBy(peak, energy) <= limit {
			return false
		}
	}
	return true
}

// Rough stores the largest |reading| of the first sketch over each of successive windows,
// x[i : i+2·Half] for each index i of out. A reading of the bank exceeds the larger of that
// and of the two samples beside the interval by at most missed. peak and energy are as for
// MayExceed. Many windows at once take less time each than few do.
func (s Sketches) Rough(x, out []float64, peak, energy float64) (missed float64) {
	one := &s[0]
	beside := (len(x)-len(out)+1)/2 - one.bank.half
	one.bank.Peaks(x[beside:len(x)-beside], out)
	return one.missedBy(peak, energy)
}

// missedBy is how much a reading may exceed the sketch, by the largest |sample| of its
// window and the sum of squares of the samples that the sketch does not read.
func (s *sketchBound) missedBy(peak, energy float64) float64 {
	return float64(s.missed*peak) + float64(s.outside*math.Sqrt(energy))
}
