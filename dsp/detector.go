package dsp

import (
	"math"

	"github.com/boothbench/boothbench/dsp/vector"
)

// DetectorKind selects how a dynamics stage measures level.
type DetectorKind int

const (
	// Peak is the largest |sample| of the last window (a rectangular hold). A
	// crest between samples counts in full: see crest. On a steady tone below a
	// quarter of the rate whose half-period fits the window, the level is
	// constant, and so is the gain.
	Peak DetectorKind = iota
	// RMS is the root of the mean square over the last window, weighted by a
	// triangle: two equal moving averages in series, which pass far less of the
	// ripple at twice a tone's frequency than one average does. A full-scale
	// sine reads −3.01 dBFS. The value is renewed every half millisecond or
	// more often, and is held in between.
	RMS
)

// cell is the number of frames that dynamics stages handle at a time: enough to
// amortise a call, few enough to stay in the first-level cache.
const cell = 64

// detector measures the level of a block: of the loudest channel if linked,
// otherwise of each channel. Levels often stay the same for many frames, so
// they are given as stretches.
type detector struct {
	kind      DetectorKind
	linked    bool
	cell      Block       // the frames being measured
	sidechain *Cascade    // nil: none
	filtered  Block       // the cell after the side-chain filter
	levels    [][]stretch // per output

	holds []peakHold // Peak: per output
	peak  [cell]uint64

	means  []meanSquare // RMS: per channel
	group  int          // RMS: frames that share a level
	filled int          // RMS: frames in the running group
	held   []float64    // RMS: per output, the current level
	sums   [cell / shortestGroup]vector.GroupSquares
}

// shortestGroup is the smallest group whose squares are summed while the side chain is
// filtered.
const shortestGroup = 4

// stretch is a number of frames with the same level: an amplitude for Peak, a
// mean square for RMS.
type stretch struct {
	frames int
	level  float64
}

// newDetector builds a detector after the sections of a side-chain filter, if
// there are any.
func newDetector(kind DetectorKind, windowMs float64, sidechain []Biquad, linked bool, rate, channels int) *detector {
	outputs := channels
	if linked {
		outputs = 1
	}
	d := &detector{kind: kind, linked: linked, levels: make([][]stretch, outputs), cell: make(Block, channels)}
	for k := range d.levels {
		d.levels[k] = make([]stretch, 0, cell)
	}
	if len(sidechain) > 0 {
		d.sidechain = NewCascade(sidechain, channels)
		d.filtered = NewBlock(channels, cell)
	}
	if kind == Peak {
		for range outputs {
			d.holds = append(d.holds, newPeakHold(max(1, Frames(windowMs, rate)), channels/outputs))
		}
		return d
	}
	half := max(1, Frames(windowMs/2, rate))
	d.group = groupOf(2*half, rate)
	d.held = make([]float64, outputs)
	for range channels {
		d.means = append(d.means, newMeanSquare((half+d.group/2)/d.group, d.group))
	}
	return d
}

// groupOf is the number of frames that share an RMS level: a power of two, so
// that groups fit into cells, at most half a millisecond, and at most a
// sixteenth of the window.
func groupOf(window, rate int) int {
	group := 1
	for 2*group*2000 <= rate && 2*group*16 <= window {
		group *= 2
	}
	return group
}

// sidechainHighPass returns the side-chain filter of a dynamics stage; 0 Hz
// means none.
func sidechainHighPass(hz float64, rate int) []Biquad {
	if hz == 0 {
		return nil
	}
	return ButterworthHighPass(2, hz, float64(rate))
}

// run measures frames from … to−1 of the block, at most a cell, into levels. They pass a
// filter ahead first, if there is one.
func (d *detector) run(b Block, from, to int, ahead *Cascade) {
	for k := range d.levels {
		d.levels[k] = d.levels[k][:0]
	}
	for c := range d.cell {
		d.cell[c] = b[c][from:to]
	}
	if d.filterSquares(ahead) {
		return
	}
	if ahead != nil {
		ahead.Process(d.cell)
	}
	b = d.cell
	if d.sidechain != nil {
		for c := range d.filtered {
			d.filtered[c] = d.filtered[c][:to-from]
			copy(d.filtered[c], b[c])
		}
		d.sidechain.Process(d.filtered)
		b = d.filtered
	}
	if d.kind == Peak {
		d.peaks(b, 0, to-from)
	} else {
		d.squares(b, 0, to-from)
	}
}

// filterSquares measures the cell in one pass, together with the filter ahead, where it
// holds whole groups of one or two channels and each filter is one section. It returns whether it
// did so; the levels would be the same.
func (d *detector) filterSquares(ahead *Cascade) bool {
	frames := d.cell.Frames()
	if d.kind != RMS || d.sidechain == nil || len(d.cell) > 2 || d.filled != 0 || d.group < shortestGroup || frames%d.group != 0 ||
		!d.sidechain.runs(frames) || ahead != nil && !ahead.runs(frames) {
		return false
	}
	sums := d.sums[:frames/d.group]
	x, y := d.cell[0], []float64(nil)
	if len(d.cell) == 2 {
		y = d.cell[1]
	}
	if ahead == nil {
		vector.FilterSquares(x, y, d.group, &d.sidechain.kernels[0], d.sidechain.state[0], sums)
	} else {
		vector.FilterThenSquares(x, y, d.group, &ahead.kernels[0], &d.sidechain.kernels[0], ahead.state[0], d.sidechain.state[0], sums)
		ahead.ran(frames)
	}
	d.sidechain.ran(frames)
	for _, s := range sums {
		for c := range d.means {
			d.means[c].sum, d.means[c].falling = s.Sum[c], s.Falling[c]
		}
		d.stay(d.group - 1)
		d.turn()
	}
	return true
}

// ignore makes the detector treat all levels up to this one as equal.
func (d *detector) ignore(level float64) {
	for k := range d.holds {
		d.holds[k].ignore(level)
	}
}

func (d *detector) peaks(b Block, from, to int) {
	for k := range d.levels {
		planes := b
		if !d.linked {
			planes = b[k : k+1]
		}
		peak := d.peak[:to-from]
		if d.holds[k].process(peak, planes, from, to) {
			d.levels[k] = append(d.levels[k], stretch{to - from, math.Float64frombits(peak[0])})
		} else {
			d.levels[k] = split(d.levels[k], peak)
		}
	}
}

// split appends the stretches of equal level. Levels are compared as bits, so
// that NaN equals itself.
func split(to []stretch, level []uint64) []stretch {
	first, last := 0, level[0]
	for i, l := range level {
		if l != last {
			to = append(to, stretch{i - first, math.Float64frombits(last)})
			first, last = i, l
		}
	}
	return append(to, stretch{len(level) - first, math.Float64frombits(last)})
}

func (d *detector) squares(b Block, from, to int) {
	for from < to {
		n := min(to-from, d.group-d.filled)
		c := 0
		for ; c+2 <= len(b); c += 2 {
			takeBoth(&d.means[c], &d.means[c+1], b[c][from:from+n], b[c+1][from:from+n])
		}
		if c < len(b) {
			d.means[c].take(b[c][from : from+n])
		}
		from += n
		if d.filled += n; d.filled < d.group {
			d.stay(n)
			return
		}
		d.stay(n - 1)
		d.turn()
	}
}

// stay adds frames of the held level. Stretches therefore begin where groups
// end, and are the same for every detector with the same window.
func (d *detector) stay(frames int) {
	if frames == 0 {
		return
	}
	for k, level := range d.held {
		if last := len(d.levels[k]) - 1; last >= 0 {
			d.levels[k][last].frames += frames
		} else {
			d.levels[k] = append(d.levels[k], stretch{frames, level})
		}
	}
}

// turn ends a group of frames and takes over its level, which is known at the group's last
// frame.
func (d *detector) turn() {
	d.filled = 0
	for c := range d.means {
		level := d.means[c].turn()
		switch {
		case !d.linked:
			d.held[c] = level
		case c == 0 || level > d.held[0]:
			d.held[0] = level
		}
	}
	for k, level := range d.held {
		d.levels[k] = append(d.levels[k], stretch{1, level})
	}
}

// decibels converts a level of this detector to dBFS, at most mostLevelDBFS.
func (d *detector) decibels(level float64) float64 {
	if d.kind == Peak {
		return min(AmplitudeToDB(level), mostLevelDBFS)
	}
	return min(PowerToDB(level), mostLevelDBFS)
}

// mostLevelDBFS is above any sound. It bounds the attenuation, so that a bad
// sample does not hold an envelope down for long.
const mostLevelDBFS = 400

// linear converts dBFS to a level of this detector.
func (d *detector) linear(dbfs float64) float64 {
	if d.kind == Peak {
		return DBToAmplitude(dbfs)
	}
	return DBToPower(dbfs)
}

func (d *detector) reset() {
	if d.sidechain != nil {
		d.sidechain.Reset()
	}
	for k := range d.holds {
		d.holds[k].reset()
	}
	for c := range d.means {
		d.means[c].reset()
	}
	clear(d.held)
	d.filled = 0
}
