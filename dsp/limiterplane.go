package dsp

import "github.com/boothbench/boothbench/dsp/vector"

// limiterPlane is the recent past of one channel, after the drive. It is
// divided into cells of peakCell samples. Each cell has the values that bound
// the readings between its samples: the largest |sample| and the largest
// |second difference|.
type limiterPlane struct {
	x          []float64
	end        int // samples in x
	cells      []float64
	curvatures []float64 // of the first surveyed samples of the cell
	surveyed   []int
}

// peakCell is the number of samples in a cell. The window of a 32-tap
// interpolator reaches into the neighbouring cells only.
const peakCell = 16

// limiterOverload is +144 dBFS: a larger sample, after the drive, is replaced
// by this value, and NaN by silence.
const limiterOverload = 1 << 24

// newLimiterPlane builds a plane for whole cells of frames.
func newLimiterPlane(frames int) limiterPlane {
	cells := frames/peakCell + 1
	return limiterPlane{
		x: make([]float64, frames), cells: make([]float64, cells),
		curvatures: make([]float64, cells), surveyed: make([]int, cells),
	}
}

// reset fills the plane with a number of frames of silence.
func (p *limiterPlane) reset(frames int) {
	clear(p.x)
	clear(p.cells)
	clear(p.curvatures)
	clear(p.surveyed)
	p.end = frames
}

// take appends in, multiplied by the drive.
func (p *limiterPlane) take(in []float64, drive float64) {
	for len(in) > 0 {
		cell, within := p.end/peakCell, p.end%peakCell
		n := min(len(in), peakCell-within)
		peaks := p.cells[cell : cell+1]
		if n == peakCell {
			peaks = p.cells[cell : cell+len(in)/peakCell]
			n = len(peaks) * peakCell
			vector.Scale(p.x[p.end:], in, drive, peakCell, peaks)
		} else {
			x := p.x[p.end : p.end+n]
			for i, v := range in[:n] {
				x[i] = v * drive
			}
			if peak := vector.Peak(x); !(peak <= peaks[0]) {
				peaks[0] = peak
			}
		}
		if !(vector.Peak(peaks) <= limiterOverload) { // NaN and Inf too
			for k := range peaks {
				peaks[k] = contain(p.x[(cell+k)*peakCell : min(p.end+n, (cell+k+1)*peakCell)])
			}
		}
		p.end += n
		in = in[n:]
	}
}

// contain replaces samples that no limiter can process, and returns the largest
// |sample|.
func contain(x []float64) float64 {
	for i, v := range x {
		if v != v {
			v = 0
		}
		x[i] = max(-limiterOverload, min(limiterOverload, v))
	}
	return vector.Peak(x)
}

// forget drops the first cells.
func (p *limiterPlane) forget(cells int) {
	copy(p.x, p.x[cells*peakCell:p.end])
	p.end -= cells * peakCell
	copy(p.cells, p.cells[cells:])
	copy(p.curvatures, p.curvatures[cells:])
	copy(p.surveyed, p.surveyed[cells:])
	rest := (p.end + peakCell - 1) / peakCell
	clear(p.cells[rest:])
	clear(p.curvatures[rest:])
	clear(p.surveyed[rest:])
}

// curvature is the largest |second difference| that ends in a cell, over the
// samples available.
func (p *limiterPlane) curvature(cell int) float64 {
	if p.surveyed[cell] < peakCell {
		p.survey(cell)
	}
	return p.curvatures[cell]
}

func (p *limiterPlane) survey(cell int) {
	from, to := cell*peakCell+p.surveyed[cell], min(p.end, (cell+1)*peakCell)
	if from < to {
		p.curvatures[cell] = max(p.curvatures[cell], vector.Curvature(p.x[from-2:to]))
		p.surveyed[cell] = to - cell*peakCell
	}
}
