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
	// reads −3.01 dBFS.
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
	means []meanSquare // RMS: per channel
	group int          // RMS: frames that share a level
}

// meanSquare is the mean square of one channel. Squares are summed over groups
// of frames (about 12 kHz), and a group's level counts until the next one is
// whole, at most a group later: little against a window of milliseconds.
type meanSquare struct {
	averages [2]slidingSum
	scale    float64
	sum      float64 // of the running group
	filled   int     // frames in it
	level    float64 // after the last whole group
}

// newDetector builds a detector that hears the sound through the sections of a
// side chain, if there are any.
func newDetector(kind DetectorKind, windowMs float64, sidechain []Biquad, linked bool, rate, channels int) *detector {
	d := &detector{kind: kind, linked: linked, level: make([][cell]float64, channels)}
	if len(sidechain) > 0 {
		d.sidechain = NewCascade(sidechain, channels)
		d.heard = NewBlock(channels, cell)
	}
	for range d.outputs() {
		if kind == Peak {
			d.holds = append(d.holds, newSlidingMax(max(1, Frames(windowMs, rate))))
		}
	}
	if kind == RMS {
		d.group = max(1, (rate+6000)/12000)
		half := max(1, (Frames(windowMs/2, rate)+d.group/2)/d.group)
		for range channels {
			d.means = append(d.means, meanSquare{
				averages: [2]slidingSum{newSlidingSum(half), newSlidingSum(half)},
				scale:    1 / (float64(half) * float64(half) * float64(d.group)),
			})
		}
	}
	return d
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
	n := to - from
	for c, plane := range b {
		level := d.level[c][:n]
		d.means[c].run(level, plane[from:to], d.group)
		if d.linked && c > 0 {
			louder(d.level[0][:n], level)
		}
	}
}

func (m *meanSquare) run(level, x []float64, group int) {
	for len(x) > 0 {
		n := min(len(x), group-m.filled)
		sum, held := m.sum, m.level
		for i, v := range x[:n] {
			sum += float64(v * v)
			level[i] = held
		}
		m.sum = sum
		if m.filled += n; m.filled == group {
			m.level = m.averages[1].next(m.averages[0].next(sum)) * m.scale
			m.sum, m.filled = 0, 0
			level[n-1] = m.level // known with the group's last frame
		}
		level, x = level[n:], x[n:]
	}
}

func (m *meanSquare) reset() {
	m.averages[0].reset()
	m.averages[1].reset()
	m.sum, m.filled, m.level = 0, 0, 0
}

// louder makes a the larger of a and b, value by value.
func louder(a, b []float64) {
	b = b[:len(a)]
	for i, x := range b {
		if x > a[i] {
			a[i] = x
		}
	}
}

// decibels turns a level of this detector into dBFS, finite where the level is
// infinite, so that a bad sample cannot make an envelope stick.
func (d *detector) decibels(level float64) float64 {
	if d.kind == Peak {
		return min(AmplitudeToDB(level), mostLevelDBFS)
	}
	return min(PowerToDB(level), mostLevelDBFS)
}

// mostLevelDBFS is above all sound, and keeps attenuation in bounds.
const mostLevelDBFS = 4000

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
}
