package dsp

import (
	"fmt"
	"math"
	"sync"

	"github.com/boothbench/boothbench/dsp/vector"
)

// Polyphase is a bank of FIR filters that read a signal between its samples.
//
// Conventions: interval n lies between samples n and n+1. Row p reads the
// signal at n + Position(p), 0 ≤ Position(p) ≤ 1, as
//
//	y_p(n) = Σ h_p[j] x[n−Half+1+j],   j = 0 … 2·Half−1
//
// (correlation order: the taps run with time). A window of the signal for
// interval n is therefore x[n−Half+1 … n+Half]: sample n is window[Half−1].
//
// The bank is mirrored: the last row is the first one reversed, and so on
// inwards, so that two rows share their even and odd parts. A Polyphase is
// read-only once built; any number of goroutines may use one.
type Polyphase struct {
	half      int
	positions []float64
	rows      [][]float64
	mirrored  *vector.Mirrored // the form that Peak evaluates
	bounds    interpolationBounds
}

// NewPolyphase builds a bank from its rows, in order of position. Every row has
// the same even number of taps.
func NewPolyphase(positions []float64, rows [][]float64) (*Polyphase, error) {
	if len(rows) == 0 || len(rows) != len(positions) {
		return nil, fmt.Errorf("interpolator: %d rows for %d positions", len(rows), len(positions))
	}
	taps := len(rows[0])
	if taps < 2 || taps%2 != 0 {
		return nil, fmt.Errorf("interpolator: found %d taps, accepted: an even number", taps)
	}
	b := &Polyphase{half: taps / 2, positions: append([]float64(nil), positions...)}
	for p, row := range rows {
		if !(positions[p] >= 0 && positions[p] <= 1) {
			return nil, fmt.Errorf("interpolator: row %d reads at %g, accepted: 0 to 1", p, positions[p])
		}
		mirror := rows[len(rows)-1-p]
		if len(row) != taps || len(mirror) != taps {
			return nil, fmt.Errorf("interpolator: row %d has %d taps, row 0 has %d", p, len(row), taps)
		}
		for j, h := range row {
			if h != mirror[taps-1-j] {
				return nil, fmt.Errorf("interpolator: row %d, tap %d is %g, its mirror image %g", p, j, h, mirror[taps-1-j])
			}
		}
		b.rows = append(b.rows, append([]float64(nil), row...))
	}
	b.fold()
	b.bounds = boundsOf(b)
	return b, nil
}

// Half is the number of samples that a row reads on either side of its
// position.
func (b *Polyphase) Half() int { return b.half }

// Rows is the number of rows.
func (b *Polyphase) Rows() int { return len(b.rows) }

// Position is the place that row p reads, in samples after sample n.
func (b *Polyphase) Position(p int) float64 { return b.positions[p] }

// Row returns a copy of row p's taps.
func (b *Polyphase) Row(p int) []float64 { return append([]float64(nil), b.rows[p]...) }

// L1 is the largest sum of |taps| over the rows: no reading exceeds it times
// the largest |sample| of the window.
func (b *Polyphase) L1() float64 { return b.bounds.l1 }

// Mu is the largest first absolute moment over the rows, taken about the
// better of the two central taps: Σ|h_j||j−j0|. It bounds what a sloping gain
// can add to a reading.
func (b *Polyphase) Mu() float64 { return b.bounds.mu }

// Read is the reading of row p over a window of 2·Half samples.
func (b *Polyphase) Read(p int, window []float64) float64 {
	var y float64
	for j, h := range b.rows[p] {
		y += float64(h * window[j])
	}
	return y
}

// At reads a window at any position between 0 and 1 of a bank whose rows lie at
// equal distances from 0 to 1, both included: by the cubic through the readings
// of the four rows nearest to it (Lagrange). Between rows 1/128 apart it differs
// from a row of its own by at most (π/128)⁴/24 = 1.5e-8 of a wave's amplitude.
func (b *Polyphase) At(position float64, window []float64) float64 {
	at := float64(position * float64(len(b.rows)-1))
	first := min(max(int(at)-1, 0), len(b.rows)-4)
	u := at - float64(first) // 0 to 3, mostly 1 to 2
	w0 := -float64((u-1)*(u-2)) * (u - 3) / 6
	w1 := float64(u*(u-2)) * (u - 3) / 2
	w2 := -float64(u*(u-1)) * (u - 3) / 2
	w3 := float64(u*(u-1)) * (u - 2) / 6
	window = window[:2*b.half]
	r0, r1, r2, r3 := b.rows[first][:len(window)], b.rows[first+1][:len(window)], b.rows[first+2][:len(window)], b.rows[first+3][:len(window)]
	var y0, y1, y2, y3 float64
	for j, x := range window {
		y0 += float64(r0[j] * x)
		y1 += float64(r1[j] * x)
		y2 += float64(r2[j] * x)
		y3 += float64(r3[j] * x)
	}
	return float64(w0*y0) + float64(w1*y1) + float64(w2*y2) + float64(w3*y3)
}

// Near is At on a straight line between the two rows next to the position: half the
// work, and between rows 1/512 apart (π/512)²/8 = 5e-6 of a wave's amplitude off.
func (b *Polyphase) Near(position float64, window []float64) float64 {
	at := float64(position * float64(len(b.rows)-1))
	first := min(max(int(at), 0), len(b.rows)-2)
	u := at - float64(first)
	window = window[:2*b.half]
	r0, r1 := b.rows[first][:len(window)], b.rows[first+1][:len(window)]
	var even0, odd0, even1, odd1 float64 // two sums each, which wait for nothing
	for j := 0; j+1 < len(window); j += 2 {
		x, y := window[j], window[j+1]
		even0 += float64(r0[j] * x)
		odd0 += float64(r0[j+1] * y)
		even1 += float64(r1[j] * x)
		odd1 += float64(r1[j+1] * y)
	}
	return float64((1-u)*(even0+odd0)) + float64(u*(even1+odd1))
}

// fold lays the bank out for Peak.
func (b *Polyphase) fold() {
	pairs := (len(b.rows) + 1) / 2
	taps := make([][4]float64, (pairs+1)/2*b.half)
	for p := 0; p < pairs; p++ {
		for j := 0; j < b.half; j++ {
			early, late := b.rows[p][b.half-1-j], b.rows[p][b.half+j]
			at := &taps[p/2*b.half+j]
			at[p%2*2] = (early + late) / 2
			at[p%2*2+1] = (early - late) / 2
		}
	}
	b.mirrored = vector.NewMirrored(b.half, taps)
}

// Peak is the largest |reading| of all rows over a window of 2·Half samples.
func (b *Polyphase) Peak(window []float64) float64 { return b.mirrored.Reading(window) }

// Peaks stores the largest |reading| of all rows over each of successive windows:
// peaks[i] is that of x[i : i+2·Half]. Four take little longer than one.
func (b *Polyphase) Peaks(x, peaks []float64) { b.mirrored.Readings(x, peaks) }

// fewPeaks reads the intervals of a plane that are asked for, one after the other,
// four at a time.
type fewPeaks struct {
	bank  *Polyphase
	x     []float64
	first int // of the intervals that peaks holds
	known int
	peaks [4]float64
}

// at is the largest |reading| of interval n, which lies between x[n] and x[n+1].
func (f *fewPeaks) at(n int) float64 {
	if n < f.first || n >= f.first+f.known {
		half := f.bank.half
		f.first, f.known = n, min(len(f.peaks), len(f.x)-half-n)
		f.bank.Peaks(f.x[n-half+1:n+f.known+half], f.peaks[:f.known])
	}
	return f.peaks[n-f.first]
}

// PeakBounds stores what Peaks does not exceed, by the magnitudes of the sums and the
// differences of the samples on either side. Of noise it is closer than the other
// bounds are.
func (b *Polyphase) PeakBounds(x, bounds []float64) { b.mirrored.Bounds(x, bounds) }

// interpolationBounds are what a bank's readings cannot exceed.
type interpolationBounds struct {
	l1, mu     float64
	flat, bend float64 // see Bound
	near       [2 * nearBends]float64
	far        float64 // see AtMost
}

// nearBends is the number of second differences on either side of an interval
// that AtMost weighs one by one.
const nearBends = 4

// Bound limits the readings of interval n without interpolating: no |reading|
// exceeds
//
//	flat · max(|x[n]|, |x[n+1]|) + bend · max |second difference|
//
// with the second differences x[m+1]−2x[m]+x[m−1] of all m within the window.
// It is tight where the signal is made of low frequencies, as speech is.
//
// Derivation: with S = Σh, subtract from the row S times the linear
// interpolation between the two central samples, taken at the row's centre of
// gravity. The remainder ρ has neither sum nor first moment, so it annihilates
// constants and ramps, and summing by parts twice leaves Σ K_i x″[n+i] with K
// the double running sum of ρ. So flat = |S| and bend = Σ|K_i|, largest over
// the rows and rounded up. (A centre of gravity outside the interval is moved
// to its edge; the first moment e that then remains adds 2|e| to flat.)
func (b *Polyphase) Bound() (flat, bend float64) { return b.bounds.flat, b.bounds.bend }

// AtMost is a closer bound than Bound for the readings of one window, given bend, no
// less than its largest |second difference|: those near the interval are weighed as
// they are.
func (b *Polyphase) AtMost(window []float64, bend float64) float64 {
	centre := window[b.half-1-nearBends:][:2*nearBends+2]
	sum := b.bounds.far * bend
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

func boundsOf(b *Polyphase) interpolationBounds {
	var out interpolationBounds
	for _, row := range b.rows {
		var l1, left, right float64
		for j, h := range row {
			k := float64(j - b.half + 1) // sample n+k
			l1 += math.Abs(h)
			left += float64(math.Abs(h) * math.Abs(k))
			right += float64(math.Abs(h) * math.Abs(k-1))
		}
		flat, bends := rowBound(row, b.half-1, make([]float64, 2*b.half))
		var bend, far float64
		for j, k := range bends {
			bend += k
			if at := j - (b.half - 1 - nearBends); at >= 0 && at < len(out.near) {
				out.near[at] = max(out.near[at], k*boundMargin)
			} else {
				far += k
			}
		}
		out.far = max(out.far, far*boundMargin)
		out.l1, out.mu = max(out.l1, l1), max(out.mu, min(left, right))
		out.flat, out.bend = max(out.flat, flat), max(out.bend, bend)
	}
	out.l1, out.flat, out.bend = out.l1*boundMargin, out.flat*boundMargin, out.bend*boundMargin
	return out
}

// boundMargin rounds a bound up: readings round too, by less than taps · 2^-52
// of L1, here below 1e-12.
const boundMargin = 1 + 1e-10

// rowBound is Bound for one row, developed about its taps at and at+1. bends[j]
// is the weight of the second difference that is centred on tap j+1; the slice
// is reused.
func rowBound(row []float64, at int, bends []float64) (flat float64, weights []float64) {
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
	bends = bends[:len(row)-2]
	var single, double float64
	for j := 1; j <= at; j++ {
		single += rest(j - 1)
		double += single
		bends[j-1] = math.Abs(double)
	}
	single, double = 0, 0
	for j := len(row) - 2; j > at; j-- {
		single += rest(j + 1)
		double += single
		bends[j-1] = math.Abs(double)
	}
	return math.Abs(sum) + 2*math.Abs(moment-float64(sum*centre)), bends
}

// annex2 is the first half of the interpolating filter's phases printed in
// Rec. ITU-R BS.1770-5 (11/2023), Annex 2, times 8192, in the printed order.
// Phases 3 and 2 are phases 0 and 1 reversed.
var annex2 = [2][12]int{
	{14, 90, -161, 272, -487, 1125, 7964, -838, 390, -218, 122, -68},
	{-239, 240, -424, 730, -1364, 3810, 6388, -1641, 832, -477, 271, -155},
}

// Annex2 is the interpolator of the true-peak meter of Rec. ITU-R BS.1770-5
// Annex 2: four rows of 12 taps. The 48-tap filter delays by 23.5 samples of
// the fourfold rate, so its phases read at 1/8, 3/8, 5/8 and 7/8 of an interval
// and never at a sample itself: an impulse of full scale reads −0.245 dBTP.
func Annex2() *Polyphase {
	rows := make([][]float64, 4)
	for p := range rows {
		rows[p] = make([]float64, 12)
	}
	for phase, taps := range annex2 {
		for k, tap := range taps {
			// Printed for convolution: tap k meets the sample k before the
			// newest, so time order is the reverse.
			rows[phase][11-k] = float64(tap) / 8192
			rows[3-phase][k] = float64(tap) / 8192
		}
	}
	return mustPolyphase([]float64{0.125, 0.375, 0.625, 0.875}, rows)
}

// WindowedSinc is a bank of phases−1 rows that read at 1/phases, 2/phases …
// of an interval, each a sinc of the given even number of taps under a Kaiser
// window of shape beta, centred on the position read. (The samples themselves
// are the missing row.) It panics unless phases and taps are at least 2 and
// taps is even: they are constants of the program, not input.
func WindowedSinc(phases, taps int, beta float64) *Polyphase {
	if phases < 2 || taps < 2 || taps%2 != 0 {
		panic(fmt.Sprintf("interpolator: %d phases of %d taps", phases, taps))
	}
	half := taps / 2
	positions, rows := make([]float64, phases-1), make([][]float64, phases-1)
	for p := range rows {
		rows[p] = make([]float64, taps)
	}
	for p := 0; p <= (phases-2)/2; p++ {
		position := float64(p+1) / float64(phases)
		positions[p], positions[phases-2-p] = position, 1-position
		for j := range rows[p] {
			h := windowedSinc(float64(j-half+1)-position, half, beta)
			rows[p][j] = h
			rows[phases-2-p][taps-1-j] = h
		}
		if 2*(p+1) == phases { // the middle row is its own mirror image
			for j := 0; j < half; j++ {
				rows[p][taps-1-j] = rows[p][j]
			}
		}
	}
	return mustPolyphase(positions, rows)
}

// windowedSinc is sinc(t) under a Kaiser window that ends at ±half.
func windowedSinc(t float64, half int, beta float64) float64 {
	u := t / float64(half)
	inside := 1 - float64(u*u)
	if inside < 0 {
		return 0
	}
	sin, _ := SincosPi(t)
	return sin / (math.Pi * t) * besselI0(beta*math.Sqrt(inside)) / besselI0(beta)
}

// besselI0 is the modified Bessel function of the first kind and order zero,
// by its power series Σ ((x/2)^k / k!)². All terms are positive: nothing
// cancels, and the sum stops where terms no longer change it.
func besselI0(x float64) float64 {
	quarter := x * x / 4
	sum, term := 1.0, 1.0
	for k := 1.0; term > sum*1e-18 && k < 1000; k++ {
		term = float64(term * (quarter / (k * k)))
		sum += term
	}
	return sum
}

// annex2Bank and sharedSinc are Annex2 and WindowedSinc, built once: a bank is
// read-only, and the long ones take a millisecond to build.
var annex2Bank = sync.OnceValue(Annex2)

func sharedSinc(phases, taps int, beta float64) *Polyphase {
	type design struct {
		phases, taps int
		beta         float64
	}
	return sharedSincs.of(design{phases, taps, beta}, func() *Polyphase { return WindowedSinc(phases, taps, beta) })
}

var sharedSincs = newKept[any, *Polyphase](16)

// mustPolyphase builds a bank whose rows are mirrored by construction.
func mustPolyphase(positions []float64, rows [][]float64) *Polyphase {
	b, err := NewPolyphase(positions, rows)
	if err != nil {
		panic(err)
	}
	return b
}
