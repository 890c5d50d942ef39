package dsp

import (
	"math"
	"math/bits"

	"github.com/boothbench/boothbench/dsp/vector"
)

// overScan finds the intervals of a signal whose readings exceed the limit, in ascending order.
// It interpolates only where bounds do not decide:
//
//  1. For the standard target, in cells of peakCell intervals: the plain readings, which are
//     those of the frames without factors, where earlier steps have made them.
//  2. For overChunk intervals at a time: a bound from the largest |sample| and the largest
//     |second difference| around them (Polyphase.Bound). It decides speech.
//  3. In cells: for a long bank Polyphase.AtMost of the first and the last intervals, then
//     plain readings of new frames, then a coarse sketch.
//  4. For a long bank: bounds between rows that were read (Halves).
type overScan struct {
	bank *guardBank
	x    []float64
	// sides is the sound from which the bounds are computed: x, or the signal without factors
	// if x is that signal with the factors of the standard target.
	sides           *scannedSound
	flat, curvature float64 // coefficients of the bound that holds for sides
	limit, aim      float64 // the bounds are compared with aim

	n, fresh        int // the next interval, and the first one that needs new bounds
	threshold, most float64

	// Intervals to examine: bit i is interval first+i.
	pending uint32
	first   int
	peaks   fewPeaks
	found   vector.DoubledReadings // of the last cell

	signal scannedSound // without factors
	within scannedSound // with factors: x
	plain  *plainPeaks  // readings of the signal; nil: not usable
	dipped float64      // see knows
	bound  float64      // limit for conclusions from plain
}

// scannedSound is a sound with the data that the scans of all banks share.
type scannedSound struct {
	x      []float64
	seen   bool // chunks and peak are valid
	chunks [overChunks]vector.Extent
	peak   float64 // largest |sample|
	begun  bool    // whole is begun for x
	whole  coarseSound
}

// plainPeaks are upper bounds of the readings of frames without factors, by cell. For a short
// bank they bound its readings, for a long one those of its middle taps. 0: not known.
type plainPeaks [overCells]float64

// A scan's x holds at most the 2·verifiedStride frames of the plan, and the margin of
// verifiedStride−1 frames on both sides.
const (
	overChunk  = 64
	overChunks = (2*verifiedStride+2*(verifiedStride-1))/overChunk + 1
	overCells  = overChunks * overChunk / peakCell
)

// newOverScan returns a scan for an x of at most this many samples.
func newOverScan(samples int) overScan {
	room := samples + vector.CoarseWindows
	return overScan{signal: scannedSound{whole: newDoubledSound(room)}, within: scannedSound{whole: newDoubledSound(room)}}
}

// of sets the sound for the following scans: x is signal with factors.
func (s *overScan) of(x, signal []float64) {
	s.within.is(x)
	s.signal.is(signal)
}

func (s *scannedSound) is(x []float64) {
	s.x, s.seen, s.peak, s.begun = x, false, 0, false
}

// look computes the sound's chunks, once.
func (s *scannedSound) look() {
	if !s.seen {
		s.survey()
	}
}

func (s *scannedSound) survey() {
	s.seen = true
	n := len(s.x)
	chunks := s.chunks[:(n+overChunk-1)/overChunk]
	clear(chunks)
	chunks[0] = extent(s.x, 0, min(n, overChunk))
	whole := max(1, n/overChunk)
	vector.Extents(s.x[min(n, overChunk)-2:], overChunk, chunks[1:whole])
	if whole < len(chunks) {
		chunks[whole] = extent(s.x, whole*overChunk, n)
	}
	s.peak = 0
	for _, chunk := range chunks {
		s.peak = max(s.peak, chunk.Peak)
	}
}

// coarse returns the sound in whole numbers. No |sample| may exceed peak.
func (s *scannedSound) coarse(peak float64) *coarseSound {
	if !s.begun {
		s.begun = true
		s.whole.begin(s.x, peak)
	}
	return &s.whole
}

// begin starts a scan at the first interval that contains frames after the margin: frames
// already put out were scanned before.
func (s *overScan) begin(b *guardBank, margin int, limit float64) {
	flat, curvature := b.Bound()
	s.start(b, &s.within, margin, flat, curvature, limit, limit)
}

// beginStandard is begin for an x with the factors of the standard target. Short rows are
// bounded with the known properties of these factors: the fade of the target is as short as the
// rows, and its end would count as a wave.
func (s *overScan) beginStandard(b *guardBank, margin int, limit, aim float64) {
	if b.half > longHalf {
		s.begin(b, margin, limit)
		return
	}
	s.start(b, &s.signal, margin, b.flat, b.curvature, limit, aim)
}

// knows passes readings of the signal to the scan that was begun. The factors of x must be the
// standard target times others, from 0 to 1, which change by at most dipped from frame to
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

// extent returns the largest |sample| of frames from … to−1, and the largest |second
// difference| whose last frame is among them.
func extent(x []float64, from, to int) vector.Extent {
	return vector.Extent{Peak: vector.Peak(x[from:to]), Curvature: vector.Curvature(x[max(0, from-2):to])}
}

// next returns the next interval over the limit and its reading; −1 if there is none left.
func (s *overScan) next() (n int, peak float64) {
	half := s.bank.half
	for {
		for s.pending != 0 {
			i := bits.TrailingZeros32(s.pending)
			alone := alone(s.pending >> i)
			s.pending &^= 1 << i
			n := s.first + i
			if s.bank.halves != nil && !s.peaks.knows(n) {
				s.readHalves(n, alone)
			}
			if peak := s.peaks.at(n, alone); peak > s.limit {
				return n, peak
			}
		}
		if s.plain != nil && s.n+half < len(s.x) {
			s.passPlain()
		}
		switch {
		case s.n+half >= len(s.x):
			return -1, 0
		case s.n >= s.fresh && !s.bounded():
			s.n = s.fresh
		default:
			s.examineCell()
		}
	}
}

// bounded computes the bounds for the next intervals, up to the end of a chunk. It reports
// whether one of them may be over the limit.
func (s *overScan) bounded() bool {
	first := s.n / overChunk
	s.fresh = (first + 1) * overChunk
	if s.plain != nil {
		// Where the signal is noise, x is noise too. The chunk itself mostly shows it.
		s.signal.look()
		noise := float64(s.curvature*s.signal.chunks[first].Curvature) > s.aim
		if !noise && s.sides == &s.within {
			noise = float64(s.curvature*s.around(&s.signal).Curvature) > s.aim
		}
		if noise {
			s.threshold, s.most = -1, math.Inf(1)
			return true
		}
	}
	sides := s.sides
	all := s.around(sides)
	s.most = all.Curvature
	s.threshold = (s.aim - float64(s.curvature*s.most)) / s.flat
	// The second sample of the last interval may be in the next chunk. Intervals beyond the
	// last samples use the last samples.
	peak := sides.chunks[min(first, (len(sides.x)-1)/overChunk)].Peak
	if s.fresh < len(sides.x) {
		peak = max(peak, math.Abs(sides.x[s.fresh]))
	} else {
		peak = max(peak, math.Abs(sides.x[len(sides.x)-2]), math.Abs(sides.x[len(sides.x)-1]))
	}
	return peak > s.threshold
}

// around returns the bounds on the windows of the next intervals, up to the end of the chunk.
func (s *overScan) around(sound *scannedSound) (all vector.Extent) {
	sound.look()
	first := (s.n - s.bank.half + 1) / overChunk
	end := min((len(sound.x)-1)/overChunk, (s.fresh+s.bank.half+len(s.peaks.peaks))/overChunk) + 1
	for _, chunk := range sound.chunks[min(first, end):end] { // the sound without factors is shorter
		all = all.Of(chunk)
	}
	return all
}

// examineCell finds the intervals up to the end of a cell that may be over the limit.
func (s *overScan) examineCell() {
	from, to := s.n, min((s.n/peakCell+1)*peakCell, len(s.x)-s.bank.half)
	s.n = to
	if !s.mayBeOver(from) { // in noise, the intervals at both ends mostly may be over
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
	if s.bank.reach == 0 {
		s.pending = 1<<(to-from) - 1
		return
	}
	if cell := from / peakCell; s.plain != nil && s.readPlain(cell) {
		if !s.plainWithin(cell) {
			// The same comparison for each interval.
			share := &s.bank.fromPlain[cell]
			rest := s.bound - s.fromPlain(cell) + float64(share.kept*s.plain[cell])
			value := rest/share.kept - float64(s.bank.missed*s.signal.whole.peak)
			open := s.bank.above(&s.found, s.signal.whole.level(value), s.signal.x[cell*peakCell:(cell+1)*peakCell+1], value)
			s.pending = open >> (from - cell*peakCell) & (1<<(to-from) - 1)
		}
		return
	}
	if !s.signal.seen {
		s.within.look()
	}
	sound := s.within.coarse(max(s.signal.peak, s.within.peak))
	s.bank.read(sound, from, &s.found)
	value := s.limit - float64((s.bank.missed+s.bank.outside)*sound.peak)
	open := s.bank.above(&s.found, sound.level(value), s.x[from:to+1], value)
	s.pending = open & (1<<(to-from) - 1)
}

// passPlain passes over cells of which the known plain readings show that they are within the
// limit.
func (s *overScan) passPlain() {
	s.signal.look()
	lean := float64(s.dipped * s.bank.lean)
	first := s.n / peakCell
	shares := s.bank.fromPlain[first : (len(s.x)-s.bank.half-1)/peakCell+1]
	plain := s.plain[first:][:len(shares)]
	for i := range shares {
		share := &shares[i]
		if share.kept > 0 && plain[i] == 0 {
			return
		}
		most := float64((share.changed+lean)*s.signal.peak) + float64(share.kept*plain[i])
		if most > s.bound {
			return
		}
		s.n = (first + i + 1) * peakCell
	}
}

// plainWithin reports whether the known plain readings show that a cell of the target is within
// the limit.
func (s *overScan) plainWithin(cell int) bool {
	if s.bank.fromPlain[cell].kept > 0 && s.plain[cell] == 0 {
		return false
	}
	return s.fromPlain(cell) <= s.bound
}

// fromPlain returns an upper bound of the readings in a cell of the target.
func (s *overScan) fromPlain(cell int) float64 {
	share := &s.bank.fromPlain[cell]
	changed := share.changed + float64(s.dipped*s.bank.lean)
	return float64(changed*s.signal.peak) + float64(share.kept*s.plain[cell])
}

// readPlain reads a cell of the signal without factors. It reports whether that gave anything
// new.
func (s *overScan) readPlain(cell int) bool {
	if s.plain[cell] != 0 || s.bank.fromPlain[cell].kept == 0 {
		return false
	}
	s.signal.look()
	sound := s.signal.coarse(s.signal.peak)
	from := cell * peakCell
	s.bank.read(sound, from, &s.found)
	most := float64(s.bank.largest(&s.found)) * sound.unit()
	if s.bank.doubled != nil { // which leaves out rows next to samples
		most = max(most, vector.Peak(sound.x[from:from+peakCell+1]))
	}
	s.plain[cell] = most + float64(s.bank.missed*sound.peak)
	return true
}

// mayBeOver reports whether an interval of a long bank may be over the limit, from the samples
// and second differences around it.
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

// readHalves reads interval n, and unless it is alone the next ones too, as far as they may be
// over the limit.
func (s *overScan) readHalves(n int, alone bool) {
	half := s.bank.half
	s.peaks.first, s.peaks.known = n, min(len(s.peaks.peaks), len(s.x)-half-n)
	if alone {
		s.peaks.known = 1
	}
	x := s.x[n-half+1 : n+s.peaks.known+half]
	s.bank.halves.Exceed(x, s.peaks.peaks[:s.peaks.known], s.limit, vector.Peak(x), vector.Curvature(x))
}
