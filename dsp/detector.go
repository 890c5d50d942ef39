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
	holds     []slidingMax
	means     [][2]slidingSum
	meanScale float64
	level     [][cell]float64
}

// newDetector builds a detector that hears the sound through the sections of a
// side chain, if there are any.
func newDetector(kind DetectorKind, windowMs float64, sidechain []Biquad, linked bool, rate, channels int) *detector {
	d := &detector{kind: kind, linked: linked, level: make([][cell]float64, channels)}
	if len(sidechain) > 0 {
		d.sidechain = NewCascade(sidechain, channels)
		d.heard = NewBlock(channels, cell)
	}
	outputs := channels
	if linked {
		outputs = 1
	}
	for range outputs {
		if kind == Peak {
			d.holds = append(d.holds, newSlidingMax(max(1, Frames(windowMs, rate))))
		}
	}
	if kind == RMS {
		half := max(1, Frames(windowMs/2, rate))
		d.meanScale = 1 / (float64(half) * float64(half))
		for range channels {
			d.means = append(d.means, [2]slidingSum{newSlidingSum(half), newSlidingSum(half)})
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
	for c, plane := range b {
		level := d.level[c][:n]
		for i, x := range plane[from:to] {
			level[i] = math.Abs(x)
		}
		if d.linked && c > 0 {
			louder(d.level[0][:n], level)
		}
	}
	for k := range d.holds {
		d.holds[k].process(d.level[k][:n])
	}
}

func (d *detector) squares(b Block, from, to int) {
	n := to - from
	for c, plane := range b {
		level := d.level[c][:n]
		for i, x := range plane[from:to] {
			level[i] = x * x
		}
		d.means[c][0].process(level)
		d.means[c][1].process(level)
		for i := range level {
			level[i] *= d.meanScale
		}
		if d.linked && c > 0 {
			louder(d.level[0][:n], level)
		}
	}
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
		return min(AmplitudeToDB(level), 1e4)
	}
	return min(PowerToDB(level), 1e4)
}

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
		d.means[c][0].reset()
		d.means[c][1].reset()
	}
}
