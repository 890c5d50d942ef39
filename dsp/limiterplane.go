package dsp

import "math"

// limiterPlane is the recent past of one channel, after the drive. It is cut
// into cells of peakCell samples, each with what bounds the readings between
// them: its largest |sample| and its largest |second difference|, as the bits
// of floats, which order as the floats do and are quicker to compare.
type limiterPlane struct {
	x     []float64
	end   int // samples in x
	cells []uint64
	bends []uint64 // of the first bent samples of the cell
	bent  []int
}

// peakCell is the number of samples in a cell. The window of an interpolator of
// 32 taps reaches into the neighbouring cells only.
const peakCell = 16

// limiterOverload is +144 dBFS: a sample that comes in larger, after the drive,
// is taken as that large, and NaN as silence.
const limiterOverload = 1 << 24

const signBit = 1 << 63

// newLimiterPlane builds a plane for whole cells of frames.
func newLimiterPlane(frames int) limiterPlane {
	cells := frames/peakCell + 1
	return limiterPlane{
		x: make([]float64, frames), cells: make([]uint64, cells),
		bends: make([]uint64, cells), bent: make([]int, cells),
	}
}

// reset fills the plane with so many frames of silence.
func (p *limiterPlane) reset(frames int) {
	clear(p.x)
	clear(p.cells)
	clear(p.bends)
	clear(p.bent)
	p.end = frames
}

// take appends in, driven.
func (p *limiterPlane) take(in []float64, drive float64) {
	for len(in) > 0 {
		cell := p.end / peakCell
		n := min(len(in), (cell+1)*peakCell-p.end)
		x := p.x[p.end : p.end+n]
		largest := copyDriven(x, in[:n], drive)
		if largest > math.Float64bits(limiterOverload) { // NaN and Inf too
			largest = contain(x)
		}
		p.cells[cell] = max(p.cells[cell], largest)
		p.end += n
		in = in[n:]
	}
}

// copyDriven stores in, driven, and returns the largest |sample|, as its bits.
func copyDriven(x, in []float64, drive float64) uint64 {
	var a, b uint64
	if len(x) == peakCell {
		to, from := (*[peakCell]float64)(x), (*[peakCell]float64)(in)
		for i := 0; i < peakCell; i += 2 {
			v, w := from[i]*drive, from[i+1]*drive
			to[i], to[i+1] = v, w
			a, b = max(a, math.Float64bits(v)<<1), max(b, math.Float64bits(w)<<1)
		}
		return max(a, b) >> 1
	}
	for i, v := range in {
		v *= drive
		x[i] = v
		a = max(a, math.Float64bits(v)<<1)
	}
	return a >> 1
}

// contain replaces what no limiter can work on, and returns the bits of the
// largest |sample|.
func contain(x []float64) uint64 {
	var largest float64
	for i, v := range x {
		if v != v {
			v = 0
		}
		x[i] = max(-limiterOverload, min(limiterOverload, v))
		largest = max(largest, math.Abs(x[i]))
	}
	return math.Float64bits(largest)
}

// forget drops the first cells.
func (p *limiterPlane) forget(cells int) {
	copy(p.x, p.x[cells*peakCell:p.end])
	p.end -= cells * peakCell
	copy(p.cells, p.cells[cells:])
	copy(p.bends, p.bends[cells:])
	copy(p.bent, p.bent[cells:])
	rest := (p.end + peakCell - 1) / peakCell
	clear(p.cells[rest:])
	clear(p.bends[rest:])
	clear(p.bent[rest:])
}

// bend is the largest |second difference| that ends in a cell, of the samples
// that are there.
func (p *limiterPlane) bend(cell int) uint64 {
	from, to := cell*peakCell+p.bent[cell], min(p.end, (cell+1)*peakCell)
	if from < to {
		p.bends[cell] = max(p.bends[cell], secondDifference(p.x[from-2:to]))
		p.bent[cell] = to - cell*peakCell
	}
	return p.bends[cell]
}

// secondDifference is the largest |x[n+1] − 2x[n] + x[n−1]|, as its bits.
func secondDifference(x []float64) uint64 {
	var largest uint64
	b := x[1]
	step := b - x[0]
	for _, c := range x[2:] {
		next := c - b
		largest = max(largest, math.Float64bits(next-step)&^signBit)
		b, step = c, next
	}
	return largest
}
