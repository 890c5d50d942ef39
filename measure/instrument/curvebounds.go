package instrument

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// The uncertainty of a fitted curve. For every knee, the best threshold, slope and plateau are
// searched. All knees whose fit is no worse than the noise of the steps explains are possible.
// This is the profile of the sum of squares; its limit is Student's t squared times the
// variance of a step. (D. M. Bates and D. G. Watts, "Nonlinear Regression Analysis and Its
// Applications", 1988, section 6.1; from memory)

// span is a range of values.
type span struct{ low, high float64 }

func (s *span) include(v float64) { s.low, s.high = min(s.low, v), max(s.high, v) }

// off is the distance from a value to the farther end.
func (s span) off(v float64) float64 { return max(0, s.high-v, v-s.low) }

// sideBounds are the 95 % ranges of the values of one side.
type sideBounds struct {
	kneeDB, thresholdDBFS, slope span
	openAbove                    bool // the steps allow any knee, however wide
}

const (
	// mostKneeDB is the widest knee that is searched. With its threshold in the middle it
	// covers most curves from end to end.
	mostKneeDB = 40
	// leastStepNoiseDB is the least noise of a step's level, from rounding.
	leastStepNoiseDB = 1e-4
	// kneeSteps is the number of knees that are tried; narrow knees are tried at a closer
	// spacing.
	kneeSteps = 120
	// noKneeDB is the narrowest knee that is distinguished from a corner.
	noKneeDB = 0.05
	// leastSearchDB is the finest spacing of thresholds in the first search. The sum of squares
	// has a local minimum between any two steps. Where steps are closer than four times this,
	// these minima are so shallow that the search from the lowest point passes them.
	leastSearchDB = 1.0 / 16
)

// sideProfile is one side of a curve and the steps that it was fitted to.
type sideProfile struct {
	side      *curveSide
	points    []CurvePoint
	downwards bool
	stepDB    float64 // from one level to the next

	evaluations int // how often the sum of squares was computed
}

// sideProfile returns one side and its steps: all steps where the curve has no other side.
func (c curveFit) sideProfile(points []CurvePoint, downwards bool) *sideProfile {
	p := &sideProfile{side: c.compression, points: points, downwards: downwards, stepDB: math.Abs(points[1].InDBFS - points[0].InDBFS)}
	other := c.expansion
	if downwards {
		p.side, other = c.expansion, c.compression
	}
	switch {
	case other == nil:
	case downwards:
		p.points = points[:c.middle+1]
	default:
		p.points = points[c.middle:]
	}
	return p
}

// fitted is the best side for a threshold and a knee, with slope and plateau free, and its sum
// of squares in dB².
func (p *sideProfile) fitted(thresholdDBFS, kneeDB float64) (side curveSide, squares float64) {
	p.evaluations++
	side = curveSide{thresholdDBFS: thresholdDBFS, kneeDB: kneeDB, rangeDB: p.side.rangeDB, flatDB: p.side.flatDB}
	var n, sh, sg, shh, shg float64
	top := math.Inf(-1)
	for _, q := range p.points {
		top = max(top, q.GainDB())
	}
	for _, q := range p.points {
		if g := q.GainDB(); !side.isPastRange(top - g) {
			h := kneeFall(side.past(q, p.downwards), kneeDB)
			n, sh, sg, shh, shg = n+1, sh+h, sg+g, shh+h*h, shg+h*g
		}
	}
	if d := n*shh - sh*sh; d > 0 {
		side.slope = -(n*shg - sh*sg) / d
	}
	plateau := (sg + side.slope*sh) / max(1, n)
	for _, q := range p.points {
		e := q.GainDB() - plateau + side.fall(q.InDBFS, p.downwards)
		squares += e * e
	}
	return side, squares
}

// best is the best side for a knee.
func (p *sideProfile) best(kneeDB float64) (side curveSide, squares float64) {
	squares = math.Inf(1)
	try := func(threshold float64) float64 {
		s, sum := p.fitted(threshold, kneeDB)
		if sum < squares {
			side, squares = s, sum
		}
		return sum
	}
	// Every quarter of a step first, then closer around the best.
	by := max(p.stepDB/4, leastSearchDB)
	reach := 2*p.stepDB + math.Abs(kneeDB-p.side.kneeDB)/2
	// Where the fit found no corner, threshold and knee may be anywhere.
	first, last := p.points[0].InDBFS-mostKneeDB, p.points[len(p.points)-1].InDBFS+mostKneeDB
	from := min(last, max(first, p.side.thresholdDBFS-reach))
	to := min(last, max(first, p.side.thresholdDBFS+reach))
	for at := from; at <= to; at += by {
		try(at)
	}
	for ; by > 1e-6; by /= 3 {
		at := side.thresholdDBFS
		for _, k := range []float64{-2, -1, 1, 2} {
			try(at + k*by/3)
		}
	}
	return side, squares
}

// bounds are the ranges that the steps allow.
func (p *sideProfile) bounds() (b sideBounds) {
	type tried struct {
		side    curveSide
		squares float64
	}
	at := func(kneeDB float64) tried {
		side, squares := p.best(kneeDB)
		return tried{side, squares}
	}
	var all []tried
	for i := range kneeSteps + 1 {
		share := float64(i) / kneeSteps
		all = append(all, at(mostKneeDB*share*share))
	}
	least := at(p.side.kneeDB)
	for _, t := range all {
		if t.squares < least.squares {
			least = t
		}
	}
	limit := least.squares + p.allowed(least.squares)
	start := least.side
	b.kneeDB, b.thresholdDBFS, b.slope = span{start.kneeDB, start.kneeDB}, span{start.thresholdDBFS, start.thresholdDBFS}, span{start.slope, start.slope}
	include := func(t tried) {
		b.kneeDB.include(t.side.kneeDB)
		b.thresholdDBFS.include(t.side.thresholdDBFS)
		b.slope.include(t.side.slope)
	}
	// The end of a range lies between a knee that is allowed and its neighbour that is not.
	end := func(inside, outside float64) {
		for range 20 {
			middle := (inside + outside) / 2
			if t := at(middle); t.squares <= limit {
				inside = middle
				include(t)
			} else {
				outside = middle
			}
		}
	}
	lowest, highest := start.kneeDB, start.kneeDB
	for _, t := range all {
		if t.squares <= limit {
			include(t)
			lowest, highest = min(lowest, t.side.kneeDB), max(highest, t.side.kneeDB)
		}
	}
	for i, t := range all {
		if i+1 < len(all) && t.side.kneeDB <= highest && all[i+1].side.kneeDB > highest {
			end(highest, all[i+1].side.kneeDB)
		}
		if i > 0 && t.side.kneeDB >= lowest && all[i-1].side.kneeDB < lowest {
			end(lowest, all[i-1].side.kneeDB)
		}
	}
	b.openAbove = b.kneeDB.high >= mostKneeDB
	p.addLinear(&b, start, limit-least.squares)
	return b
}

// allowed is by how much a sum of squares may exceed the least one: Student's t squared times
// the variance of a step. The variance is that of the fit's residuals or, if greater, that of
// the levels of the steps past the plateau, by what they still changed while they were
// measured.
func (p *sideProfile) allowed(least float64) float64 {
	const unknowns = 4 // plateau, threshold, knee, slope
	freedom := float64(len(p.points) - unknowns)
	if freedom < 1 {
		return math.Inf(1)
	}
	variance := max(least/freedom, leastStepNoiseDB*leastStepNoiseDB)
	sum, n := 0.0, 0.0
	for _, q := range p.points {
		if p.side.past(q, p.downwards) > -p.side.kneeDB/2 {
			sum, n = sum+q.UnsettledDB*q.UnsettledDB/2, n+1 // the difference of two levels has twice the variance
		}
	}
	if n > 0 {
		variance = max(variance, sum/n)
	}
	t := distuv.StudentsT{Sigma: 1, Nu: freedom}.Quantile(0.975)
	return t * t * variance
}

// addLinear widens threshold and slope by the effect of the steps' noise at a fixed knee: the
// inverse of the normal equations at the best fit, plateau included.
func (p *sideProfile) addLinear(b *sideBounds, side curveSide, allowed float64) {
	var sums [3][3]float64
	for _, q := range p.points {
		past := side.past(q, p.downwards)
		fall := kneeFall(past, side.kneeDB)
		if side.rangeDB > 0 && side.slope*fall >= side.rangeDB {
			continue
		}
		byThreshold := 0.0
		switch half := side.kneeDB / 2; {
		case past >= half:
			byThreshold = side.slope
		case past > -half:
			byThreshold = side.slope * (past + half) / side.kneeDB
		}
		by := [3]float64{1, byThreshold, -fall}
		for i := range by {
			for k := range by {
				sums[i][k] += by[i] * by[k]
			}
		}
	}
	minor := func(i, k int) float64 {
		a, c := (i+1)%3, (i+2)%3
		d, e := (k+1)%3, (k+2)%3
		return sums[a][d]*sums[c][e] - sums[a][e]*sums[c][d]
	}
	determinant := sums[0][0]*minor(0, 0) + sums[0][1]*minor(0, 1) + sums[0][2]*minor(0, 2)
	if !(determinant > 0) {
		return
	}
	off := func(i int) float64 { return math.Sqrt(max(0, allowed*minor(i, i)/determinant)) }
	b.thresholdDBFS = span{b.thresholdDBFS.low - off(1), b.thresholdDBFS.high + off(1)}
	b.slope = span{b.slope.low - off(2), b.slope.high + off(2)}
}
