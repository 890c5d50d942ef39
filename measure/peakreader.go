package measure

import (
	"math"
	"sync"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/vector"
	"github.com/boothbench/boothbench/measure/internal/planes"
)

const (
	peakChunk = 1024 // frames that are searched at a time
	peakCell  = 32   // frames whose largest values are kept together
	mostCells = (fineTaps + peakChunk) / peakCell
)

// stretch is the sound that is searched at a time: the last fineTaps frames of the sound
// before it, and up to peakChunk new ones. It keeps the largest |sample| of each cell,
// and the largest |second difference| of the cells for which that was computed.
type stretch struct {
	samples    []float64
	frame      int64   // of samples[0]
	top        float64 // the largest |sample|, NaN if there is one
	peaks      [mostCells]float64
	curvatures [mostCells]float64
	energies   [mostCells]float64 // sums of squares
}

// unknown marks the second difference or energy of a cell that has not been computed.
const unknown = -1

// take appends new frames, at most peakChunk.
func (s *stretch) take(x []float64, frame int64) {
	const before = fineTaps / peakCell
	known := 0 // cells whose values are
	if length := len(s.samples); length == 0 {
		s.samples = make([]float64, fineTaps, fineTaps+peakChunk)
	} else if length%peakCell == 0 {
		known = before
		last := length/peakCell - before
		copy(s.peaks[:before], s.peaks[last:])
		copy(s.energies[:before], s.energies[last:])
		copy(s.curvatures[:before-1], s.curvatures[last:]) // that of the last cell lacked what follows
	}
	copy(s.samples[:fineTaps], s.samples[len(s.samples)-fineTaps:])
	s.samples = append(s.samples[:fineTaps], x...)
	s.frame = frame - fineTaps
	whole := len(s.samples) / peakCell
	vector.Peaks(s.samples[known*peakCell:], peakCell, s.peaks[known:whole])
	cells := (len(s.samples) + peakCell - 1) / peakCell
	if whole < cells {
		s.peaks[whole] = vector.Peak(s.samples[whole*peakCell:])
	}
	s.top = vector.Peak(s.peaks[:cells])
	for k := max(0, known-1); k < cells; k++ {
		s.curvatures[k] = unknown
	}
	for k := known; k < cells; k++ {
		s.energies[k] = unknown
	}
}

// clone is a copy with memory of its own.
func (s stretch) clone() stretch {
	s.samples = append(make([]float64, 0, fineTaps+peakChunk), s.samples...)
	return s
}

// peak is the largest |sample| from … to−1, rounded outwards to whole cells.
func (s *stretch) peak(from, to int) float64 {
	return largestOf(s.peaks[from/peakCell : (to-1)/peakCell+1])
}

// curvature is the largest |second difference| from … to−1, rounded outwards to whole
// cells. The search ends at a value above enough.
func (s *stretch) curvature(from, to int, enough float64) (largest float64) {
	for k := from / peakCell; k <= (to-1)/peakCell && !(largest > enough); k++ {
		c := s.curvatures[k]
		if c == unknown {
			c = vector.Curvature(s.samples[k*peakCell : min(len(s.samples), (k+1)*peakCell+2)])
			s.curvatures[k] = c
		}
		if c > largest || c != c {
			largest = c
		}
	}
	return largest
}

// energy is the sum of the squares from … to−1, rounded outwards to whole cells.
func (s *stretch) energy(from, to int) (sum float64) {
	for k := from / peakCell; k <= (to-1)/peakCell; k++ {
		if s.energies[k] == unknown {
			s.energies[k] = vector.SumOfSquares(s.samples[k*peakCell : min(len(s.samples), (k+1)*peakCell)])
		}
		sum += s.energies[k]
	}
	return sum
}

// largestOf is the largest of some magnitudes, NaN if one is: their bits are in the same order.
func largestOf(x []float64) float64 {
	var largest uint64
	for _, v := range x {
		largest = max(largest, math.Float64bits(v))
	}
	return math.Float64frombits(largest)
}

// peakReader reads intervals with one interpolator, and keeps the largest reading.
type peakReader struct {
	bank             *dsp.Polyphase
	l1, flat, curved float64
	sketches         dsp.Sketches // of a long bank
	halves           *dsp.Halves  // of a long bank

	largest float64
	frame   int64
}

func newPeakReader(b *dsp.Polyphase) peakReader {
	r := peakReader{bank: b, l1: b.L1()}
	r.flat, r.curved = b.Bound()
	return r
}

// fineReader is the reader for fineSinc. It is made once, since that takes milliseconds.
var fineReader = sync.OnceValue(func() peakReader {
	r := newPeakReader(fineSinc())
	r.sketches = r.bank.Sketches(dsp.SketchSize{Every: 16, Half: 24}, dsp.SketchSize{Every: 16})
	r.halves = r.bank.Halves()
	return r
})

// first is the start of the window of the first interval that new frames complete.
func (r *peakReader) first() int { return fineTaps + 1 - 2*r.bank.Half() }

// look updates the largest reading with the intervals that the new frames complete. With
// skip it leaves out those that cannot exceed the largest reading so far.
func (r *peakReader) look(s *stretch, skip bool) {
	if enough := r.roomForCurvature(r.largest, s.top); skip && (s.top*r.l1 <= r.largest || s.curvature(0, len(s.samples), enough) <= enough) {
		return
	}
	var readings [4 * peakCell]float64
	step := len(readings)
	if len(r.sketches) > 0 { // reading is expensive: use the closest bounds
		step = peakCell
	}
	half := r.bank.Half()
	end := len(s.samples) + 1 - 2*half
	known := 0.0
	if skip && s.top > r.largest && len(r.sketches) > 0 {
		known = math.Nextafter(r.besideTop(s), 0) // which one of the intervals exceeds
	}
	for from := r.first(); from < end; from += step {
		to := min(end, from+step)
		if !r.readings(s, from, to, max(r.largest, known), skip, readings[:]) {
			continue
		}
		if vector.Peak(readings[:to-from]) <= r.largest {
			continue
		}
		for i, v := range readings[:to-from] {
			if planes.Exceeds(v, r.largest) {
				r.largest, r.frame = v, s.frame+int64(from+i+half-1)
			}
		}
	}
}

// besideTop is the largest reading next to the largest sample, if that is in the
// intervals that the new frames complete. It is most likely the largest of all, so that
// other readings can be skipped.
func (r *peakReader) besideTop(s *stretch) float64 {
	half := r.bank.Half()
	first, end := r.first(), len(s.samples)+1-2*half
	for i, v := range s.samples[first+half : end+half-1] {
		if math.Abs(v) == s.top {
			var few [4]float64 // of the intervals around the sample, if they are there
			from := max(first, min(first+i-1, end-len(few)))
			n := min(len(few), end-from)
			r.bank.Peaks(s.samples[from:from+n-1+2*half], few[:n])
			return vector.Peak(few[:n])
		}
	}
	return 0
}

// roomForCurvature is the largest |second difference| at which no reading between samples
// of at most peak can exceed a limit: see Polyphase.Bound.
func (r *peakReader) roomForCurvature(limit, peak float64) float64 {
	return (limit - r.flat*peak) / r.curved
}

// readings stores the readings of the windows that begin at from … to−1: those that
// exceed a limit, and of the others any number that does not. It reports whether
// one may exceed it. Without skip it reads them all.
func (r *peakReader) readings(s *stretch, from, to int, limit float64, skip bool, out []float64) bool {
	out = out[:to-from]
	half := r.bank.Half()
	if !skip {
		r.bank.Peaks(s.samples[from:to-1+2*half], out)
		return true
	}
	peak := s.peak(from, to-1+2*half)
	if peak*r.l1 <= limit {
		return false
	}
	if len(r.sketches) == 0 {
		if enough := r.roomForCurvature(limit, peak); s.curvature(from, to-1+2*half, enough) <= enough {
			return false
		}
		return r.readShort(s.samples[from:to-1+2*half], limit, peak, out)
	}
	enough := r.roomForCurvature(limit, s.peak(from+half-1, to+half))
	curvature := s.curvature(from, to-1+2*half, math.Inf(1))
	if curvature <= enough {
		return false
	}
	threshold := (limit - r.curved*curvature) / r.flat // of a sample beside an interval
	sides := s.samples[from+half-1 : to+half]
	if threshold < limit/2 && manyOver(sides, threshold) {
		return r.readRough(s, from, limit, peak, curvature, out)
	}
	clear(out)
	found := false
	for i := 0; i < len(out); {
		if !(math.Abs(sides[i]) > threshold || math.Abs(sides[i+1]) > threshold) ||
			r.bank.AtMost(s.samples[from+i:from+i+2*half], curvature) <= limit {
			i++
			continue
		}
		few := out[i:min(len(out), i+4)] // which take no longer than one
		x := s.samples[from+i : from+i+len(few)-1+2*half]
		if r.sketches[:1].MayExceed(x, few, limit, peak, s.energy(from, to-1+2*half)) {
			found = r.halves.Exceed(x, few, limit, peak, curvature) || found
		} else {
			clear(few)
		}
		i += len(few)
	}
	return found
}

// manyOver reports whether more than a quarter of some samples are over a threshold.
func manyOver(x []float64, threshold float64) bool {
	over := 0
	for _, v := range x {
		if math.Abs(v) > threshold {
			if over++; 4*over > len(x) {
				return true
			}
		}
	}
	return false
}

// readRough is readings for a long bank where second differences are so large, as in noise,
// that bounds by them leave many windows: the first sketch reads all of them at once.
func (r *peakReader) readRough(s *stretch, from int, limit, peak, curvature float64, out []float64) bool {
	half, to := r.bank.Half(), from+len(out)
	energy := s.energy(from, to-1+2*half)
	room := limit - r.sketches.Rough(s.samples[from:to-1+2*half], out, peak, energy)
	sides := s.peak(from+half-1, to+half) > room
	if !sides && vector.Peak(out) <= room {
		return false
	}
	found := false
	for i := 0; i < len(out); i += 4 {
		few := out[i:min(len(out), i+4)]
		x := s.samples[from+i : from+i+len(few)-1+2*half]
		if (largestOf(few) > room || sides && vector.Peak(x[half-1:half+len(few)]) > room) &&
			r.anyOver(x, len(few), limit, curvature) && (curvature < roughCurvature*peak || r.sketches[1:].MayExceed(x, few, limit, peak, energy)) {
			found = r.halves.Exceed(x, few, limit, peak, curvature) || found
		} else {
			clear(few)
		}
	}
	return found
}

// roughCurvature is the largest |second difference| by the largest |sample| from which on a
// further sketch decides more windows than halving does: that of noise is 3 to 4, of a tone it
// is (2 sin πf/rate)², 2.5 at 0.29 of the rate.
const roughCurvature = 2.5

// anyOver reports whether the bound by second differences leaves one of some windows.
func (r *peakReader) anyOver(x []float64, windows int, limit, curvature float64) bool {
	for i := range windows {
		if r.bank.AtMost(x[i:i+2*r.bank.Half()], curvature) > limit {
			return true
		}
	}
	return false
}

// readShort is readings for a short bank and samples x of at most peak.
func (r *peakReader) readShort(x []float64, limit, peak float64, out []float64) bool {
	r.bank.PeakBounds(x, out, limit, peak)
	if vector.Peak(out) <= limit {
		return false
	}
	for i := 0; i < len(out); {
		if out[i] <= limit { // a bound, and so no reading
			out[i] = 0
			i++
			continue
		}
		few := out[i:min(len(out), i+4)] // which take little longer than one
		r.bank.Peaks(x[i:i+len(few)-1+2*r.bank.Half()], few)
		i += len(few)
	}
	return true
}
