package dsp

import (
	"math"
	"math/bits"

	"github.com/boothbench/boothbench/dsp/vector"
)

// overScan finds the intervals of a signal that read over the limit, in rising order. It
// interpolates only where bounds do not decide:
//
//  1. Of the standard target, by cells of peakCell intervals: the plain readings, of the
//     frames without factors, as far as steps before have read them.
//  2. For overChunk intervals at a time, a bound from the largest |sample| and the largest
//     |second difference| around them (Polyphase.Bound). It decides speech.
//  3. By cells: for a long bank Polyphase.AtMost of the first and the last intervals, then
//     plain readings of frames that are new, then a coarse sketch.
//  4. For a long bank closer sketches of those intervals that are left. They decide noise.
type overScan struct {
	bank *guardBank
	x    []float64
	// sides is the signal that the bounds are computed from: x, or the signal
	// without factors if x is that signal with the factors of the standard
	// target.
	sides           *scannedSound
	flat, curvature float64 // of the bound that holds for sides
	limit, aim      float64 // the bounds are compared with the aim

	n, fresh                 int // the next interval, and the first that needs new bounds
	threshold, highest, most float64

	// Intervals to examine: bit i stands for interval first+i.
	pending uint32
	first   int
	peaks   fewPeaks
	found   vector.CoarseReadings // of the last cell

	signal scannedSound // without factors
	within scannedSound // with factors: x
	plain  *plainPeaks  // readings of the signal, nil if they are of no use
	dipped float64      // see knows
	bound  float64      // what is concluded from them is compared with this
}

// scannedSound is a sound with what all banks need of it.
type scannedSound struct {
	x        []float64
	seen     bool // chunks and peak are known
	chunks   [overChunks]guardBlock
	peak     float64 // largest |sample|
	begun    bool    // whole is of x
	whole    coarseSound
	measured bool                   // energies are known
	energies [overCells + 1]float64 // sum of the squares of the samples before each cell
}

// plainPeaks are upper bounds of the readings of frames without factors, by cell: of a short
// bank what it reads, of a long one what its middle taps read. 0: not known.
type plainPeaks [overCells]float64

// A scan's x extends by at most the margin on both sides of the plan and the
// target, and these are half as long again as the margin together.
const (
	overChunk  = 64
	overChunks = (2*verifiedStride+2*(verifiedStride-1))/overChunk + 1
	overCells  = overChunks * overChunk / peakCell
)

// newOverScan builds a scan for x of so many samples at most.
func newOverScan(samples int) overScan {
	room := samples + vector.CoarseWindows
	return overScan{signal: scannedSound{whole: newCoarseSound(room)}, within: scannedSound{whole: newCoarseSound(room)}}
}

// of sets the sound for the scans that follow: x is signal with factors.
func (s *overScan) of(x, signal []float64) {
	s.within.is(x)
	s.signal.is(signal)
}

func (s *scannedSound) is(x []float64) {
	s.x, s.seen, s.peak, s.begun, s.measured = x, false, 0, false, false
}

// look measures the sound's chunks.
func (s *scannedSound) look() {
	if s.seen {
		return
	}
	s.seen, s.peak = true, 0
	for at := 0; at < len(s.x); at += overChunk {
		chunk := extent(s.x, at, min(len(s.x), at+overChunk))
		s.chunks[at/overChunk], s.peak = chunk, max(s.peak, chunk.peak)
	}
}

// coarse is the sound in whole numbers. No |sample| is above peak.
func (s *scannedSound) coarse(peak float64) *coarseSound {
	if !s.begun {
		s.begun = true
		s.whole.begin(s.x, peak)
	}
	return &s.whole
}

// energy is at least the sum of squares of cells first … last−1.
func (s *scannedSound) energy(first, last int) float64 {
	if !s.measured {
		s.measured = true
		sum := 0.0
		for k := range overCells {
			s.energies[k] = sum
			if at := k * peakCell; at < len(s.x) {
				sum += vector.SumOfSquares(s.x[at:min(len(s.x), at+peakCell)])
			}
		}
		s.energies[overCells] = sum
	}
	if first >= last {
		return 0
	}
	return s.energies[last] - s.energies[first] + float64(1e-12*s.energies[overCells]) // rounding: 1100 sums at 2^-53
}

// begin begins with the first interval that contains frames after the margin:
// frames that are already put out were read before.
func (s *overScan) begin(b *guardBank, margin int, limit float64) {
	flat, curvature := b.Bound()
	s.start(b, &s.within, margin, flat, curvature, limit, limit)
}

// beginStandard is begin for x with the factors of the standard target. Short rows
// are bounded by what is known of these factors: their fade is short as well,
// and its end would count as a wave.
func (s *overScan) beginStandard(b *guardBank, margin int, limit, aim float64) {
	if b.half > longHalf {
		s.begin(b, margin, limit)
		return
	}
	s.start(b, &s.signal, margin, b.flat, b.curvature, limit, aim)
}

// knows gives the scan that was begun the readings of the signal, if the factors of x are
// the standard target times others, of 0 to 1, which change by dipped at most from frame to
// frame.
func (s *overScan) knows(plain *plainPeaks, dipped, aim float64) {
	if s.bank.fromPlain != nil {
		s.plain, s.dipped, s.bound = plain, dipped, aim
	}
}

func (s *overScan) start(b *guardBank, sides *scannedSound, margin int, flat, curvature, limit, aim float64) {
	s.plain = nil
	s.bank, s.x, s.sides = b, s.within.x, sides
	s.flat, s.curvature, s.limit, s.aim = flat, curvature, limit, aim
	s.n, s.fresh, s.pending = margin-b.half, 0, 0
	s.peaks = fewPeaks{bank: b.Polyphase, x: s.x}
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
			i := bits.TrailingZeros32(s.pending)
			s.pending &^= 1 << i
			n := s.first + i
			if few := s.few(n); few > 0 {
				s.pending &^= (1<<few - 1) << i
			} else if peak := s.peaks.at(n); peak > s.limit {
				return n, peak
			}
		}
		switch {
		case s.n+half >= len(s.x):
			return -1, 0
		case s.plain != nil && s.plainWithin(s.n/peakCell):
			s.n = (s.n/peakCell + 1) * peakCell
		case s.n >= s.fresh && !s.bounded():
			s.n = s.fresh
		default:
			s.examineCell()
		}
	}
}

// bounded finds the bounds for the next intervals, up to the end of a chunk. It
// reports whether one of them needs a closer look.
func (s *overScan) bounded() bool {
	first := s.n / overChunk
	s.fresh = (first + 1) * overChunk
	if s.plain != nil && s.sides == &s.within {
		// Where the signal is noise, so is x.
		if all := s.around(&s.signal); float64(s.curvature*all.curvature) > s.aim {
			s.threshold, s.most, s.highest = -1, math.Inf(1), s.signal.peak
			return true
		}
	}
	sides := s.sides
	all := s.around(sides)
	s.most, s.highest = all.curvature, all.peak
	s.threshold = (s.aim - float64(s.curvature*s.most)) / s.flat
	// The second sample of the last interval may lie in the next chunk, and
	// intervals beyond the last samples use the last ones.
	peak := sides.chunks[min(first, (len(sides.x)-1)/overChunk)].peak
	if s.fresh < len(sides.x) {
		peak = max(peak, math.Abs(sides.x[s.fresh]))
	} else {
		peak = max(peak, math.Abs(sides.x[len(sides.x)-2]), math.Abs(sides.x[len(sides.x)-1]))
	}
	return peak > s.threshold
}

// around is what bounds the windows of the next intervals, up to the end of the chunk.
func (s *overScan) around(sound *scannedSound) (all guardBlock) {
	sound.look()
	last := (len(sound.x) - 1) / overChunk
	for k := (s.n - s.bank.half + 1) / overChunk; k <= min(last, (s.fresh+s.bank.half+len(s.peaks.peaks))/overChunk); k++ {
		all.peak, all.curvature = max(all.peak, sound.chunks[k].peak), max(all.curvature, sound.chunks[k].curvature)
	}
	return all
}

// examineCell finds the intervals up to the end of a cell that may be over.
func (s *overScan) examineCell() {
	from, to := s.n, min((s.n/peakCell+1)*peakCell, len(s.x)-s.bank.half)
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
	s.first = from
	coarse := &s.bank.coarse
	if coarse.bank == nil {
		s.pending = 1<<(to-from) - 1
		return
	}
	if cell := from / peakCell; s.plain != nil && s.readPlain(cell) {
		if !s.plainWithin(cell) {
			// The same for each interval.
			share := &s.bank.fromPlain[cell]
			rest := s.bound - s.fromPlain(cell) + float64(share.kept*s.plain[cell]) - float64(coarse.outside*math.Sqrt(s.energyOutside(cell)))
			value := rest/share.kept - float64(coarse.missed*s.signal.whole.peak)
			open := s.found.Above(s.signal.whole.level(value)) | besideOver(s.signal.x[cell*peakCell:(cell+1)*peakCell+1], value)
			s.pending = open >> (from - cell*peakCell) & (1<<(to-from) - 1)
		}
		return
	}
	if !s.signal.seen {
		s.within.look()
	}
	sound := s.within.coarse(max(s.signal.peak, s.within.peak))
	coarse.read(sound, from, &s.found)
	value := s.limit - coarse.missedBy(sound.peak, s.bank.energyOutside(&s.within, from, to))
	open := s.found.Above(sound.level(value)) | besideOver(s.x[from:to+1], value)
	s.pending = open & (1<<(to-from) - 1)
}

// plainWithin reports whether the plain readings, as far as they are known, show that a
// cell of the target is within the limit.
func (s *overScan) plainWithin(cell int) bool {
	if s.bank.fromPlain[cell].kept > 0 && s.plain[cell] == 0 {
		return false
	}
	s.signal.look()
	most := s.fromPlain(cell)
	outside := s.bank.coarse.outside
	switch {
	case most > s.bound:
		return false
	case most+float64(outside*s.signal.peak*s.bank.rootOutside) <= s.bound:
		return true
	}
	return most+float64(outside*math.Sqrt(s.energyOutside(cell))) <= s.bound
}

// fromPlain is an upper bound of what the taps that plain readings have read in a cell of
// the target.
func (s *overScan) fromPlain(cell int) float64 {
	share := &s.bank.fromPlain[cell]
	changed := share.changed + float64(s.dipped*s.bank.lean)
	return float64(changed*s.signal.peak) + float64(share.kept*s.plain[cell])
}

// energyOutside is at least the sum of squares of what the other taps read.
func (s *overScan) energyOutside(cell int) float64 {
	return s.bank.energyOutside(&s.signal, cell*peakCell, (cell+1)*peakCell)
}

// readPlain reads a cell of the signal without factors. It reports whether that brought
// anything new.
func (s *overScan) readPlain(cell int) bool {
	if s.plain[cell] != 0 || s.bank.fromPlain[cell].kept == 0 {
		return false
	}
	s.signal.look()
	coarse, sound := &s.bank.coarse, s.signal.coarse(s.signal.peak)
	from := cell * peakCell
	coarse.read(sound, from, &s.found)
	s.plain[cell] = max(float64(s.found.Largest())*sound.unit(), vector.Peak(sound.x[from:from+peakCell+1])) + float64(coarse.missed*sound.peak)
	return true
}

// mayBeOver reports from the samples and second differences around a long bank's
// interval whether it may be over.
func (s *overScan) mayBeOver(n int) bool {
	half := s.bank.half
	if half <= longHalf {
		return true
	}
	if math.Abs(s.x[n]) <= s.threshold && math.Abs(s.x[n+1]) <= s.threshold {
		return false
	}
	return s.threshold < 0 || !s.bank.decides(s.most, s.limit) || s.bank.AtMost(s.x[n-half+1:n+half+1], s.most) > s.limit
}

// few is the number of intervals from n on that closer sketches show to be within the
// limit, 0 if they show none to be.
func (s *overScan) few(n int) int {
	if s.bank.half <= longHalf || s.peaks.knows(n) {
		return 0
	}
	half := s.bank.half
	var few [len(s.peaks.peaks)]float64
	count := min(len(few), len(s.x)-half-n)
	if s.bank.sketches.MayExceed(s.x[n-half+1:n+count+half], few[:count], s.limit, s.highest, 0) {
		return 0
	}
	return count
}
