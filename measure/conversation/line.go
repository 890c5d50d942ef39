package conversation

import (
	"math"

	"github.com/boothbench/boothbench/measure/internal/timemap"
)

// line is a least-squares line through delays over time.
type line struct {
	timemap.Map
	deviation float64 // standard error of Speed
	centre    float64 // frame
	level     float64 // delay at centre, frames
	sways     float64 // standard deviation of the delays around the line beyond their own standard errors
	// strain is the variance of the delays around the line, relative to that of their standard
	// errors: more than 1 where heads move.
	strain float64
}

// lineThrough fits a line to delays, weighted by their standard errors. It sets a slope to zero
// if that is below least standard errors, or amounts to less than leastInAll frames from the
// first delay to the last. Where the delays scatter around the line by more than their standard
// errors, a common variance is added to all (DerSimonian and Laird, "Meta-analysis in clinical
// trials", 1986).
func lineThrough(on []peak, least, leastInAll float64) line {
	l := fitted(on, 0)
	if len(on) > 2 && l.strain > 1 {
		var sum, squares float64
		for _, p := range on {
			weight := 1 / (p.deviation * p.deviation)
			sum, squares = sum+weight, squares+weight*weight
		}
		strain := l.strain
		further := (strain - 1) * float64(len(on)-2) / (sum - squares/sum)
		l = fitted(on, further)
		l.deviation *= math.Sqrt(max(1, l.strain) * varianceFactor(on, l))
		l.strain, l.sways = strain, math.Sqrt(further)
	}
	reach := on[len(on)-1].centre - on[0].centre
	if slope := l.Speed - 1; math.IsInf(l.deviation, 0) || math.Abs(slope) < least*l.deviation || math.Abs(slope)*reach < leastInAll {
		l.Map = timemap.Map{Delay: l.level, Speed: 1}
	}
	return l
}

// fitted returns the least-squares line after adding a further variance to that of each delay.
func fitted(on []peak, further float64) line {
	var n, x, y, xx, xy float64
	for _, p := range on {
		weight := 1 / (p.deviation*p.deviation + further)
		n, x, y = n+weight, x+weight*p.centre, y+weight*p.delay
	}
	x, y = x/n, y/n
	for _, p := range on {
		weight := 1 / (p.deviation*p.deviation + further)
		xx += weight * (p.centre - x) * (p.centre - x)
		xy += weight * (p.centre - x) * (p.delay - y)
	}
	l := line{Map: timemap.Map{Delay: y, Speed: 1}, deviation: math.Inf(1), centre: x, level: y, strain: 1}
	if len(on) < 3 || xx == 0 {
		return l
	}
	slope, rest := xy/xx, 0.0
	for _, p := range on {
		d := p.delay - y - slope*(p.centre-x)
		rest += d * d / (p.deviation*p.deviation + further)
	}
	l.Map = timemap.Map{Delay: y - slope*x, Speed: 1 + slope}
	l.strain = rest / float64(len(on)-2)
	l.deviation = 1 / math.Sqrt(xx)
	return l
}

// varianceFactor returns the ratio of the variance of a mean of delays to that of independent
// ones. Successive delays are correlated, because a head moves slowly. The distances from the
// line are treated as a first-order process (Bartlett, "Some aspects of the time-correlation
// problem in regard to tests of significance", 1935).
func varianceFactor(on []peak, l line) float64 {
	var squares, products float64
	last := 0.0
	for _, p := range on {
		d := p.delay - l.level - (l.Speed-1)*(p.centre-l.centre)
		squares, products = squares+d*d, products+d*last
		last = d
	}
	correlation := max(0, min(0.9, products/(squares+1e-300)))
	return (1 + correlation) / (1 - correlation)
}
