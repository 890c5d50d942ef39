package dsp

import "github.com/boothbench/boothbench/dsp/vector"

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

// Peaks stores the largest |reading| of all rows over successive windows:
// peaks[i] is that of x[i : i+2·Half]. Four windows take little longer than one.
func (b *Polyphase) Peaks(x, peaks []float64) { b.mirrored.Readings(x, peaks) }

// fewPeaks reads requested intervals of a plane in rising order, one or four at a time.
type fewPeaks struct {
	bank  *Polyphase
	x     []float64
	first int // of the intervals that peaks holds
	known int
	peaks [4]float64
}

// at returns the largest |reading| of interval n, which lies between x[n] and
// x[n+1]. Unless the interval is alone, it reads the next ones too.
func (f *fewPeaks) at(n int, alone bool) float64 {
	if !f.knows(n) {
		half := f.bank.half
		f.first, f.known = n, min(len(f.peaks), len(f.x)-half-n)
		if alone {
			f.known = 1
		}
		f.bank.Peaks(f.x[n-half+1:n+f.known+half], f.peaks[:f.known])
	}
	return f.peaks[n-f.first]
}

// alone reports whether the three intervals after the first are not open; bit 0 is the
// first one's.
func alone(open uint32) bool { return open&0b1110 == 0 }

// knows reports whether interval n has been read.
func (f *fewPeaks) knows(n int) bool { return n >= f.first && n < f.first+f.known }

// PeakBounds stores an upper bound for each value of Peaks, from the magnitudes of
// the sums and differences of the samples on either side, or any number that does not exceed a
// limit where the value does not either. peak must be at least the largest |sample| of x, and
// the rows must have four taps or more. On noise it is closer than the other bounds.
func (b *Polyphase) PeakBounds(x, bounds []float64, limit, peak float64) {
	b.mirrored.Bounds(x, bounds, min(b.half-1, nearPairs), limit-float64(b.bounds.beyond*peak))
}
