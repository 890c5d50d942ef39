package dsp

import "math"

// L1 is the largest sum of |taps| over the rows: no reading exceeds it times
// the largest |sample| of the window.
func (b *Polyphase) L1() float64 { return b.bounds.l1 }

// interpolationBounds are limits of a bank's readings.
type interpolationBounds struct {
	l1              float64
	flat, curvature float64 // see Bound
	near            [2 * nearCurvatures]float64
	far             float64 // see AtMost
	beyond          float64 // as l1, of the taps farther away than nearPairs
}

// nearPairs is the number of samples on either side of an interval by which PeakBounds decides
// most windows: of noise, 19 of 20 times of the Annex 2 bank.
const nearPairs = 3

// nearCurvatures is the number of second differences on either side of an interval
// that AtMost weighs individually.
const nearCurvatures = 4

// Bound limits the readings of interval n without interpolating. No |reading|
// exceeds
//
//	flat · max(|x[n]|, |x[n+1]|) + curvature · max |second difference|
//
// with the second differences x[m+1]−2x[m]+x[m−1] of all m within the window.
// It is tight where the signal is made of low frequencies, as speech is.
//
// Derivation: with S = Σh, subtract from the row S times the linear interpolation
// between the two central samples, taken at the row's centre of gravity. The
// remainder ρ has neither sum nor first moment, so it is zero on constants and
// ramps, and summing by parts twice leaves Σ K_i x″[n+i] with K the double
// running sum of ρ. Therefore flat = |S| and curvature = Σ|K_i|, the largest over
// the rows, rounded up. (A centre of gravity outside the interval is moved to its
// edge; the first moment e that then remains adds 2|e| to flat.)
func (b *Polyphase) Bound() (flat, curvature float64) { return b.bounds.flat, b.bounds.curvature }

// AtMost is a closer bound than Bound for the readings of one window. curvature must be
// at least the window's largest |second difference|; the second differences near the
// interval are weighed with their actual values.
func (b *Polyphase) AtMost(window []float64, curvature float64) float64 {
	centre := window[b.half-1-nearCurvatures:][:2*nearCurvatures+2]
	sum := b.bounds.far * curvature
	x := centre[1]
	step := x - centre[0]
	for i, next := range centre[2:] {
		before := step
		step = next - x
		x = next
		sum += float64(b.bounds.near[i] * math.Abs(step-before))
	}
	return float64(b.bounds.flat*max(math.Abs(window[b.half-1]), math.Abs(window[b.half]))) + sum
}

// decides reports whether AtMost can be within a limit for a window with such a largest
// |second difference|.
func (b *Polyphase) decides(curvature, limit float64) bool { return b.bounds.far*curvature <= limit }

func boundsOf(b *Polyphase) interpolationBounds {
	var out interpolationBounds
	for _, row := range b.rows {
		var l1, beyond float64
		for j, h := range row {
			l1 += math.Abs(h)
			if j < b.half-nearPairs || j >= b.half+nearPairs {
				beyond += math.Abs(h)
			}
		}
		flat, curvatures := rowBound(row, b.half-1, make([]float64, 2*b.half))
		var curvature, far float64
		for j, k := range curvatures {
			curvature += k
			if at := j - (b.half - 1 - nearCurvatures); at >= 0 && at < len(out.near) {
				out.near[at] = max(out.near[at], k*boundMargin)
			} else {
				far += k
			}
		}
		out.far = max(out.far, far*boundMargin)
		out.l1, out.beyond = max(out.l1, l1), max(out.beyond, beyond*boundMargin)
		out.flat, out.curvature = max(out.flat, flat), max(out.curvature, curvature)
	}
	out.l1, out.flat, out.curvature = out.l1*boundMargin, out.flat*boundMargin, out.curvature*boundMargin
	return out
}

// boundMargin rounds a bound up, because readings round as well, by less than taps
// · 2^-52 of L1, here below 1e-12.
const boundMargin = 1 + 1e-10

// rowBound is Bound for one row, expanded about its taps at and at+1. curvatures[j]
// is the weight of the second difference centred on tap j+1; the slice is reused.
func rowBound(row []float64, at int, curvatures []float64) (flat float64, weights []float64) {
	var sum, moment float64
	for j, h := range row {
		sum += h
		moment += float64(h * float64(j-at))
	}
	centre := 0.5
	if sum != 0 {
		centre = min(1, max(0, moment/sum))
	}
	rest := func(j int) float64 {
		switch j {
		case at:
			return row[j] - float64(sum*(1-centre))
		case at + 1:
			return row[j] - float64(sum*centre)
		}
		return row[j]
	}
	// Double running sums, from either end towards the middle.
	curvatures = curvatures[:len(row)-2]
	var single, double float64
	for j := 1; j <= at; j++ {
		single += rest(j - 1)
		double += single
		curvatures[j-1] = math.Abs(double)
	}
	single, double = 0, 0
	for j := len(row) - 2; j > at; j-- {
		single += rest(j + 1)
		double += single
		curvatures[j-1] = math.Abs(double)
	}
	return math.Abs(sum) + 2*math.Abs(moment-float64(sum*centre)), curvatures
}
