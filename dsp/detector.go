package dsp

import "math"

// DetectorKind is the way a dynamics stage measures level.
type DetectorKind int

const (
	// Peak is the largest |sample| of the last window (a rectangular hold). On
	// a steady tone whose half-period fits the window it is constant, and so
	// is the gain that follows from it.
	Peak DetectorKind = iota
	// RMS is the root of the mean square over the last window, weighted by a
	// triangle (two equal moving averages in series, which pass far less of
	// the ripple at twice a tone's frequency than one). A full-scale sine
	// reads −3.01 dBFS. It is taken anew every half millisecond or more often,
	// and stays in between.
	RMS
)

// cell is the number of frames that dynamics stages handle at a time: enough
// to pay for a call, little enough to stay in the first cache.
const cell = 64

// detector measures the level of a block, frame by frame: of the loudest
// channel if linked, else of each.
type detector struct {
	kind      DetectorKind
	linked    bool
	sidechain *Cascade // nil: none
	heard     Block    // the block as the side chain hears it
	level     [][cell]float64

	holds []slidingMax // Peak: per output

	means  []meanSquare // RMS: per channel
	group  int          // RMS: frames that share a level
	filled int          // RMS: frames in the running group
	held   []float64    // RMS: per output, the level that counts for now
}

// newDetector builds a detector that hears the sound through the sections of a
// side chain, if there are any.
func newDetector(kind DetectorKind, windowMs float64, sidechain []Biquad, linked bool, rate, channels int) *detector {
	d := &detector{kind: kind, linked: linked, level: make([][cell]float64, channels)}
	if len(sidechain) > 0 {
		d.sidechain = NewCascade(sidechain, channels)
		d.heard = NewBlock(channels, cell)
	}
	if kind == Peak {
		for range d.outputs() {
			d.holds = append(d.holds, newSlidingMax(max(1, Frames(windowMs, rate))))
		}
		return d
	}
	half := max(1, Frames(windowMs/2, rate))
	d.group = groupOf(2*half, rate)
	d.held = make([]float64, d.outputs())
	for range channels {
		d.means = append(d.means, newMeanSquare((half+d.group/2)/d.group, d.group))
	}
	return d
}

// groupOf is the number of frames that share an RMS level: a power of two, so
// that groups fit cells, at most half a millisecond, and at most a sixteenth
// of the window.
func groupOf(window, rate int) int {
	group := 1
	for 2*group*2000 <= rate && 2*group*16 <= window {
		group *= 2
	}
	return group
}

// sidechainHighPass is a dynamics stage's side chain; 0 Hz means none.
func sidechainHighPass(hz float64, rate int) []Biquad {
	if hz == 0 {
		return nil
	}
	return ButterworthHighPass(2, hz, float64(rate))
}

// outputs is the number of levels that the detector gives a frame.
func (d *detector) outputs() int {
	if d.linked {
		return 1
	}
	return len(d.level)
}

// run measures frames from..to of the block, at most a cell of them, into
// level: the amplitude for Peak, the mean square for RMS.
func (d *detector) run(b Block, from, to int) {
	n := to - from
	if d.sidechain != nil {
		for c := range d.heard {
			d.heard[c] = d.heard[c][:n]
			copy(d.heard[c], b[c][from:to])
		}
		d.sidechain.Process(d.heard)
		b, from, to = d.heard, 0, n
	}
	if d.kind == Peak {
		d.peaks(b, from, to)
	} else {
		d.squares(b, from, to)
	}
}

func (d *detector) peaks(b Block, from, to int) {
	n := to - from
	if d.linked && len(b) == 2 { // the usual case, in one pass
		left, right, level := b[0][from:to], b[1][from:to], d.level[0][:n]
		right, level = right[:len(left)], level[:len(left)]
		for i, x := range left {
			level[i] = math.Float64frombits(max(magnitude(x), magnitude(right[i])))
		}
		d.holds[0].process(level)
		return
	}
	for c, plane := range b {
		level := d.level[c][:n]
		if d.linked && c > 0 {
			first := d.level[0][:n]
			for i, x := range plane[from:to] {
				first[i] = math.Float64frombits(max(math.Float64bits(first[i]), magnitude(x)))
			}
			continue
		}
		for i, x := range plane[from:to] {
			level[i] = math.Float64frombits(magnitude(x))
		}
	}
	for k := range d.holds {
		d.holds[k].process(d.level[k][:n])
	}
}

// magnitude is the bits of |x|; they order as the numbers do.
func magnitude(x float64) uint64 { return math.Float64bits(x) &^ (1 << 63) }

func (d *detector) squares(b Block, from, to int) {
	for at := 0; from < to; {
		n := min(to-from, d.group-d.filled)
		c := 0
		for ; c+2 <= len(b); c += 2 {
			takeBoth(&d.means[c], &d.means[c+1], b[c][from:from+n], b[c+1][from:from+n])
		}
		if c < len(b) {
			d.means[c].take(b[c][from : from+n])
		}
		for k, held := range d.held {
			fill(d.level[k][at:at+n], held)
		}
		from, at = from+n, at+n
		if d.filled += n; d.filled == d.group {
			d.filled = 0
			d.turn()
			for k, held := range d.held {
				d.level[k][at-1] = held // known with the group's last frame
			}
		}
	}
}

// turn ends a group of frames.
func (d *detector) turn() {
	for c := range d.means {
		level := d.means[c].turn()
		switch {
		case !d.linked:
			d.held[c] = level
		case c == 0 || level > d.held[0]:
			d.held[0] = level
		}
	}
}

// decibels turns a level of this detector into dBFS, within mostLevelDBFS.
func (d *detector) decibels(level float64) float64 {
	if d.kind == Peak {
		return min(AmplitudeToDB(level), mostLevelDBFS)
	}
	return min(PowerToDB(level), mostLevelDBFS)
}

// mostLevelDBFS is above all sound. It keeps attenuation in bounds, so that a
// bad sample does not hold an envelope down for long.
const mostLevelDBFS = 400

// linear turns dBFS into a level of this detector.
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
