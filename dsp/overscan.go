package dsp

import (
	"math"
	"math/bits"

	"github.com/boothbench/boothbench/dsp/vector"
)

// overScan finds the intervals of a signal that read over the limit, in rising order. It
// interpolates only where bounds do not decide:
//
//  1. For overChunk intervals at a time, a bound from the largest |sample| and the largest
//     |second difference| around them (Polyphase.Bound). It decides speech.
//  2. A short bank then reads the whole chunk.
//  3. A long bank goes on by cells of peakCell intervals: Polyphase.AtMost of the first
//     and the last intervals, then a sketch of those between, then closer sketches of
//     those intervals that are left. They decide noise.
type overScan struct {
	bank *guardBank
	x    []float64
	// sides is the signal that the bounds are computed from: x, or the signal
	// without factors if x is that signal with the factors of the standard
	// target.
	sides           []float64
	flat, curvature float64 // of the bound that holds for sides
	limit, aim      float64 // the bounds are compared with the aim

	n, fresh                 int // the next interval, and the first that needs new bounds
	threshold, highest, most float64
	chunks                   [overChunks]guardBlock

	// Intervals to report or to examine: bit i stands for interval first+i.
	pending uint64
	first   int
	found   [overChunk]float64 // readings of these intervals; of a long bank those of its sketch
	peaks   fewPeaks           // of a long bank

	measured bool               // the energies are up to date
	energies [overCells]float64 // sums of squares, by cell
}

// A scan's x extends by at most the margin on both sides of the plan and the
// target, and these are half as long again as the margin together.
const (
	overChunk  = 64
	overChunks = (2*verifiedStride+2*(verifiedStride-1))/overChunk + 1
	overCells  = overChunks * overChunk / peakCell
)

// begin begins with the first interval that contains frames after the margin:
// frames that are already put out were read before.
func (s *overScan) begin(b *guardBank, x []float64, margin int, limit float64) {
	flat, curvature := b.Bound()
	s.start(b, x, x, margin, flat, curvature, limit, limit)
}

// beginStandard is begin for x with the factors of the standard target. Short rows
// are bounded by what is known of these factors: their fade is short as well,
// and its end would count as a wave.
func (s *overScan) beginStandard(b *guardBank, x, signal []float64, margin int, limit, aim float64) {
	if b.half > longHalf {
		s.begin(b, x, margin, limit)
		return
	}
	s.start(b, x, signal, margin, b.flat, b.curvature, limit, aim)
}

func (s *overScan) start(b *guardBank, x, sides []float64, margin int, flat, curvature, limit, aim float64) {
	s.bank, s.x, s.sides = b, x, sides
	s.flat, s.curvature, s.limit, s.aim = flat, curvature, limit, aim
	s.n, s.fresh, s.pending, s.measured = margin-b.half, 0, 0, false
	s.peaks = fewPeaks{bank: b.Polyphase, x: x}
	from := max(0, s.n-b.half+1) / overChunk * overChunk
	for at := from; at < len(sides); at += overChunk {
		s.chunks[at/overChunk] = extent(sides, at, min(len(sides), at+overChunk))
	}
}

// extent is the largest |sample| of frames from … to−1, and the largest |second
// difference| that ends there.
func extent(x []float64, from, to int) guardBlock {
	return guardBlock{vector.Peak(x[from:to]), vector.Curvature(x[max(0, from-2):to])}
}

// next is the next interval over the limit, and its reading; −1 if there is
// none left.
func (s *overScan) next() (n int, peak float64) {
	half := s.bank.half
	for {
		for s.pending != 0 {
			i := bits.TrailingZeros64(s.pending)
			s.pending &^= 1 << i
			n := s.first + i
			if half <= longHalf {
				return n, s.found[i]
			}
			if few := s.few(n); few > 0 {
				s.pending &^= (1<<few - 1) << i
			} else if peak := s.peaks.at(n); peak > s.limit {
				return n, peak
			}
		}
		switch {
		case s.n+half >= len(s.x):
			return -1, 0
		case s.n >= s.fresh && !s.bound():
			s.n = s.fresh
		case half <= longHalf:
			s.readChunk()
		default:
			s.examineCell()
		}
	}
}

// bound finds the bounds for the next intervals, up to the end of a chunk. It
// reports whether one of them needs a closer look.
func (s *overScan) bound() bool {
	first := s.n / overChunk
	s.fresh = (first + 1) * overChunk
	last := (len(s.sides) - 1) / overChunk
	s.most, s.highest = 0, 0
	for k := (s.n - s.bank.half + 1) / overChunk; k <= min(last, (s.fresh+s.bank.half+len(s.peaks.peaks))/overChunk); k++ {
		s.most, s.highest = max(s.most, s.chunks[k].curvature), max(s.highest, s.chunks[k].peak)
	}
	s.threshold = (s.aim - float64(s.curvature*s.most)) / s.flat
	// The second sample of the last interval may lie in the next chunk, and
	// intervals beyond the last samples use the last ones.
	peak := s.chunks[min(first, last)].peak
	if s.fresh < len(s.sides) {
		peak = max(peak, math.Abs(s.sides[s.fresh]))
	} else {
		peak = max(peak, math.Abs(s.sides[len(s.sides)-2]), math.Abs(s.sides[len(s.sides)-1]))
	}
	return peak > s.threshold
}

// readChunk reads the intervals up to the end of the chunk.
func (s *overScan) readChunk() {
	half := s.bank.half
	from, to := s.n, min(s.fresh, len(s.x)-half)
	found := s.found[:to-from]
	s.bank.Peaks(s.x[from-half+1:to+half], found)
	s.first, s.n = from, to
	if vector.Peak(found) <= s.limit {
		return
	}
	for i, peak := range found {
		if peak > s.limit {
			s.pending |= 1 << i
		}
	}
}

// examineCell finds the intervals up to the end of a cell that may be over.
func (s *overScan) examineCell() {
	half := s.bank.half
	from, to := s.n, min((s.n/peakCell+1)*peakCell, len(s.x)-half)
	s.n = to
	if !s.mayBeOver(from) { // in noise this is not so, nor at the other end
		for from++; from < to && !s.mayBeOver(from); from++ {
		}
		for from < to && !s.mayBeOver(to-1) {
			to--
		}
		if from == to {
			return
		}
	}
	if !s.measured {
		s.measureCells()
	}
	sketch := &s.bank.sketches[0]
	middle := sketch.bank.half
	found := s.found[:to-from]
	sketch.bank.Peaks(s.x[from-middle+1:to+middle], found)
	within := s.limit - sketch.missedBy(s.highest, s.energyOutside(from, to, middle))
	if vector.Peak(found) <= within && vector.Peak(s.x[from:to+1]) <= within {
		return
	}
	s.first = from
	for i, peak := range found {
		if peak > within || math.Abs(s.x[from+i]) > within || math.Abs(s.x[from+i+1]) > within {
			s.pending |= 1 << i
		}
	}
}

// mayBeOver reports from the samples and second differences around a long bank's
// interval whether it may be over.
func (s *overScan) mayBeOver(n int) bool {
	half := s.bank.half
	if math.Abs(s.x[n]) <= s.threshold && math.Abs(s.x[n+1]) <= s.threshold {
		return false
	}
	return !s.bank.decides(s.most, s.limit) || s.bank.AtMost(s.x[n-half+1:n+half+1], s.most) > s.limit
}

// measureCells measures the cells of x.
func (s *overScan) measureCells() {
	s.measured = true
	for k := range s.energies[:(len(s.x)+peakCell-1)/peakCell] {
		s.energies[k] = vector.SumOfSquares(s.x[k*peakCell : min(len(s.x), (k+1)*peakCell)])
	}
}

// energyOutside is at least the sum of the squares that the windows of any of the
// intervals from … to−1 read, without the middle taps on either side.
func (s *overScan) energyOutside(from, to, middle int) (sum float64) {
	half := s.bank.half
	for k := max(0, from-half+1) / peakCell; k <= (to-1+half)/peakCell; k++ {
		if k*peakCell < to-middle || (k+1)*peakCell > from+middle+1 {
			sum += s.energies[k]
		}
	}
	return sum
}

// few is the number of intervals from n on that closer sketches show to be within the
// limit, 0 if they show none to be.
func (s *overScan) few(n int) int {
	if s.peaks.knows(n) {
		return 0
	}
	half := s.bank.half
	var few [len(s.peaks.peaks)]float64
	count := min(len(few), len(s.x)-half-n)
	if s.bank.sketches[1:].MayExceed(s.x[n-half+1:n+count+half], few[:count], s.limit, s.highest, 0) {
		return 0
	}
	return count
}
