package instrument

import (
	"math"

	"gonum.org/v1/gonum/optimize"
)

// curveFit is a static curve: a plateau of gain, from which the gain may fall towards loud
// levels, quiet levels or both.
type curveFit struct {
	plateauDB              float64
	compression, expansion *curveSide // nil: none
	middle                 int        // index of the step in the middle of the plateau
	errorDB                float64
	reason                 string // why there is no curve
}

// curveSide is where and how a curve leaves its plateau, on one side.
type curveSide struct {
	thresholdDBFS float64
	kneeDB        float64
	slope         float64 // dB of gain for each dB of level beyond the knee
	rangeDB       float64 // of attenuation; 0: the steps show no end of the fall
	flatDB        float64 // how much levels past the range may differ
	errorDB       float64 // largest distance of a step from the curve, less three times how much the step's own level moved
}

// kneeFall is the fall of gain in dB for a slope of 1, at a level some dB past the threshold:
// the quadratic knee of Giannoulis, Massberg and Reiss (2012).
func kneeFall(pastDB, kneeDB float64) float64 {
	switch {
	case 2*pastDB <= -kneeDB:
		return 0
	case 2*pastDB < kneeDB:
		return (pastDB + kneeDB/2) * (pastDB + kneeDB/2) / (2 * kneeDB)
	}
	return pastDB
}

// leastFallDB is the least fall of gain with which a curve has left its plateau.
const leastFallDB = 0.1

// sameFit is the difference of two sums of squares, in dB², below which both fits are equally
// good: that of 0.00001 dB.
const sameFit = 1e-10

// startKneesDB are the knees with which a search begins.
var startKneesDB = []float64{0.01, 1, 2, 3, 4.5, 6, 9, 12, 18, 24}

// mostStarts is about the largest number of thresholds that are tried as a start.
const mostStarts = 512

// mostSearches is how often a search is restarted at most.
const mostSearches = 10

// fitCurve fits a curve to points in the order of their levels.
func fitCurve(points []CurvePoint) curveFit {
	var c curveFit
	if len(points) < 3 {
		c.reason = "fewer than three steps"
		return c
	}
	top := 0
	for i, p := range points {
		if g := p.GainDB(); math.IsNaN(g) || math.IsInf(g, 0) {
			c.reason = "the output is 0 at some level"
			return c
		} else if g > points[top].GainDB() {
			top = i
		}
	}
	if stillMoves(points) {
		c.reason = "undecided: the gain still moves within the steps; give longer steps, step_seconds, and switch automatic gain off"
	}
	// The middle of the plateau, and its gain: the mean of the steps that differ from the top
	// by less than settling explains.
	first, last := top, top
	for first > 0 && points[first-1].GainDB() > points[top].GainDB()-2*settledDB {
		first--
	}
	for last < len(points)-1 && points[last+1].GainDB() > points[top].GainDB()-2*settledDB {
		last++
	}
	for _, p := range points[first : last+1] {
		c.plateauDB += p.GainDB() / float64(last-first+1)
	}
	middle := (first + last) / 2
	c.middle = middle
	c.compression = fitSide(points[middle:], c.plateauDB, false)
	c.expansion = fitSide(points[:middle+1], c.plateauDB, true)
	for i, p := range points {
		b := c.compression
		if i < middle {
			b = c.expansion
		}
		off := math.Abs(p.GainDB() - c.plateauDB + b.fall(p.InDBFS, i < middle))
		c.errorDB = max(c.errorDB, off)
		if b != nil {
			b.errorDB = max(b.errorDB, off-3*p.UnsettledDB)
		}
	}
	return c
}

const (
	mostMovementDB = 0.05 // in a fifth of a step; the movement still to come is of about this size
	leastMoving    = 8    // least number of steps that move by more
	mostTurns      = 0.1  // reversals per step; noise reverses at every second, and at none of 8 with a probability of 1 in 128
)

// stillMoves reports whether the gain follows the steps too slowly for a static curve, or
// climbs by itself. The levels of the steps then move in one direction for long, while noise
// moves them up and down at random.
func stillMoves(points []CurvePoint) bool {
	steps, turns, last := 0, 0, 0.0
	for _, p := range points {
		if p.UnsettledDB <= mostMovementDB {
			continue
		}
		if last*p.movedDB < 0 {
			turns++
		}
		last = p.movedDB
		steps++
	}
	return steps >= leastMoving && float64(turns) <= mostTurns*float64(steps-1)
}

// fall is the fall of gain in dB at a level; downwards is true for expansion.
func (b *curveSide) fall(inDBFS float64, downwards bool) float64 {
	if b == nil {
		return 0
	}
	past := inDBFS - b.thresholdDBFS
	if downwards {
		past = -past
	}
	fall := b.slope * kneeFall(past, b.kneeDB)
	if b.rangeDB > 0 {
		fall = min(fall, b.rangeDB)
	}
	return fall
}

// endOfFall is the total fall of gain if the curve is flat again at its far end, and 0 if it
// still falls there; flatDB is how flat that end is. Flat are two steps that differ by less
// than a settled level may, or three that differ by less than six times the change of their own
// levels while they were measured.
func endOfFall(points []CurvePoint, plateauDB float64, downwards bool) (rangeDB, flatDB float64) {
	from := func(end int) CurvePoint {
		if downwards {
			return points[end]
		}
		return points[len(points)-1-end]
	}
	if len(points) < 3 || plateauDB-from(0).GainDB() < leastFallDB {
		return 0, 0
	}
	flatDB = settledDB
	steps := 2
	for n := range min(5, len(points)) {
		if noise := 6 * from(n).UnsettledDB; noise > flatDB {
			flatDB, steps = noise, 3
		}
	}
	sum, n := 0.0, 0
	for ; n < len(points) && math.Abs(from(n).GainDB()-from(0).GainDB()) < flatDB; n++ {
		sum += from(n).GainDB()
	}
	if n < steps {
		return 0, 0
	}
	return plateauDB - sum/float64(n), flatDB
}

// isPastRange reports whether a fall has reached the range.
func (b *curveSide) isPastRange(fallDB float64) bool {
	return b.rangeDB > 0 && fallDB > b.rangeDB-2*b.flatDB
}

// fitSide fits the side of a curve where the gain falls from the plateau; nil if it does not.
func fitSide(points []CurvePoint, plateauDB float64, downwards bool) *curveSide {
	lowest := 0.0
	for _, p := range points {
		lowest = max(lowest, plateauDB-p.GainDB())
	}
	if lowest < leastFallDB {
		return nil
	}
	b := &curveSide{}
	b.rangeDB, b.flatDB = endOfFall(points, plateauDB, downwards)
	// Threshold and knee are searched; the slope follows by least squares.
	squares := func(x []float64) float64 {
		b.thresholdDBFS, b.kneeDB = x[0], math.Abs(x[1])
		var num, den float64
		for _, p := range points {
			fall := plateauDB - p.GainDB()
			if b.isPastRange(fall) {
				continue // it does not depend on the slope
			}
			h := kneeFall(b.past(p, downwards), b.kneeDB)
			num, den = num+h*fall, den+h*h
		}
		b.slope = 0
		if den > 0 {
			b.slope = num / den
		}
		var sum float64
		for _, p := range points {
			e := plateauDB - p.GainDB() - b.fall(p.InDBFS, downwards)
			sum += e * e
		}
		return sum
	}
	best, least := []float64{points[0].InDBFS, 0}, math.Inf(1)
	settings := &optimize.Settings{Converger: &optimize.FunctionConverge{Absolute: 1e-14, Iterations: 200}}
	// The search starts from the best threshold for each of many knees. A wide knee in place of
	// a steep slope is a local minimum; so is each knee that holds only a few steps.
	for _, knee := range startKneesDB {
		start, lowest := []float64{points[0].InDBFS, knee}, math.Inf(1)
		// At each level and halfway between two; with very many levels, at evenly spaced ones.
		for i := 0; i < 2*len(points)-1; i += 1 + 2*len(points)/mostStarts {
			threshold := (points[i/2].InDBFS + points[(i+1)/2].InDBFS) / 2
			if s := squares([]float64{threshold, knee}); s < lowest {
				start, lowest = []float64{threshold, knee}, s
			}
		}
		// A search may end on an edge, where a step enters the knee or the range. It is
		// restarted there until it gains nothing.
		for range mostSearches {
			found, err := optimize.Minimize(optimize.Problem{Func: squares}, start, settings, &optimize.NelderMead{})
			if found == nil || err != nil && found.F >= lowest || found.F > lowest*0.999 {
				break
			}
			start, lowest = found.X, found.F
		}
		// Of equally good knees, such as those between two steps, the narrowest is taken.
		if math.IsInf(least, 1) || lowest < least*0.999-sameFit {
			best, least = start, lowest
		}
	}
	// Past the sixth decimal the result depends on a processor's rounding.
	for i, v := range best {
		best[i] = math.Round(v*1e6) / 1e6
	}
	squares(best)
	return b
}

// past is the distance in dB of a point beyond the threshold.
func (b *curveSide) past(p CurvePoint, downwards bool) float64 {
	if downwards {
		return b.thresholdDBFS - p.InDBFS
	}
	return p.InDBFS - b.thresholdDBFS
}
