package dsp

import (
	"fmt"

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
	mirrored  *vector.Mirrored // the form that Peak uses
	bounds    interpolationBounds
}

// NewPolyphase builds a bank from its rows, in order of position. It is an
// error if the rows do not all have the same even number of taps, if a position
// is outside 0 to 1, or if the bank is not mirrored.
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

// Read returns the reading of row p over a window of 2·Half samples.
func (b *Polyphase) Read(p int, window []float64) float64 {
	var y float64
	for j, h := range b.rows[p] {
		y += float64(h * window[j])
	}
	return y
}

// At reads a window at any position from 0 to 1. The rows of the bank must lie
// at equal distances from 0 to 1, both included. It evaluates the cubic through
// the readings of the four nearest rows (Lagrange). Between rows 1/128 apart it
// differs from an exact row by at most (π/128)⁴/24 = 1.5e-8 of a wave's
// amplitude.
func (b *Polyphase) At(position float64, window []float64) float64 {
	first, w := b.nearest(position)
	window = window[:2*b.half]
	y := vector.Dots4(window, b.rows[first], b.rows[first+1], b.rows[first+2], b.rows[first+3])
	return float64(w[0]*y[0]) + float64(w[1]*y[1]) + float64(w[2]*y[2]) + float64(w[3]*y[3])
}

// nearest are the first of the four rows next to a position, and the weights of the cubic
// through their readings.
func (b *Polyphase) nearest(position float64) (first int, weights [4]float64) {
	at := float64(position * float64(len(b.rows)-1))
	first = min(max(int(at)-1, 0), len(b.rows)-4)
	u := at - float64(first) // 0 to 3, mostly 1 to 2
	return first, [4]float64{
		-float64((u-1)*(u-2)) * (u - 3) / 6,
		float64(u*(u-2)) * (u - 3) / 2,
		-float64(u*(u-1)) * (u - 3) / 2,
		float64(u*(u-1)) * (u - 2) / 6,
	}
}

// Taps are those with which At reads a position: for many readings at one place.
func (b *Polyphase) Taps(position float64) []float64 {
	first, w := b.nearest(position)
	taps := make([]float64, 2*b.half)
	for i, row := range b.rows[first : first+4] {
		for j, h := range row {
			taps[j] += float64(w[i] * h)
		}
	}
	return taps
}

// Near is At by linear interpolation between the two nearest rows: half the cost,
// and between rows 1/512 apart an error of at most (π/512)²/8 = 5e-6 of a wave's
// amplitude.
func (b *Polyphase) Near(position float64, window []float64) float64 {
	at := float64(position * float64(len(b.rows)-1))
	first := min(max(int(at), 0), len(b.rows)-2)
	u := at - float64(first)
	window = window[:2*b.half]
	y := vector.Dots2(window, b.rows[first], b.rows[first+1])
	return float64((1-u)*y[0]) + float64(u*y[1])
}
