package instrument

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/mat"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/spectra"
)

// One bell in the response of a device whose settings are unknown. Its prototype, with a gain g
// beside it, is
//
//	H(s) = g·(s² + s·A/Q + 1)/(s² + s/(A·Q) + 1), A = 10^(dB/40), s = jx
//
// (W3C Audio EQ Cookbook, peakingEQ), with x = f/f0 for an analogue bell and
// x = tan(πf/fs)/tan(πf0/fs) for the Cookbook's digital one. It is fitted to the magnitude in
// dB by weighted least squares.

const (
	bellPointsPerOctave = 48
	// leastBellPeakDB is the smallest gain that is read as a bell: converters and couplings
	// ripple by about a tenth of a dB (common practice, no source).
	leastBellPeakDB = 0.3
	// A bell is the only shape in the response where no twelfth of an octave is further from the
	// fit than bellMisfitDB and bellMisfitShare of its gain, and what the noise explains.
	bellMisfitDB, bellMisfitShare = 0.03, 0.01
	// bellMeanPoints are the points of a twelfth of an octave.
	bellMeanPoints = bellPointsPerOctave / 12
	// mostBellNoise is the number of standard deviations within which the noise is expected: of
	// the 2000 points and means that are compared none exceeds it, with 99.9 % probability.
	mostBellNoise = 5
	// mostBellSkirt is the share of a bell's gain that may be left at the ends of the band: the
	// flat part beside a bell has to be seen.
	mostBellSkirt = 0.25
	// leastBellOctaves is the narrowest band in which a bell is searched.
	leastBellOctaves = 4
)

// The ends of the bands in which a bell is searched, the widest first: coupling capacitors and
// converters' filters fall at the ends.
var bellLowHz, bellHighHz = []float64{20, 40, 80, 160, 320}, []float64{20000, 16000, 12500}

// Why there is no reading of a bell.
var (
	notABell = fmt.Sprintf("the response is not flat and not one bell: whichever ends of the band are left out, a twelfth of an octave strays from the nearest bell by more than %g dB, %g %% of its gain and the noise", bellMisfitDB, 100*bellMisfitShare)
	noBell   = fmt.Sprintf("no bell: beside the fall at the ends of the band the response is flat within %g dB and its noise", leastBellPeakDB)
	openBell = fmt.Sprintf("one bell was not found with both sides: more than %g %% of the gain is left at an end of the band, as with a shelf", 100*mostBellSkirt)
)

const (
	noisyBell  = "the noise would cover a bell, or leaves its gain or Q open; raise the level, or make the sweep longer"
	bellNoBase = "the sweep is too short, or its band too narrow, to look for a bell"
)

// bellPoint is the magnitude of a forty-eighth of an octave.
type bellPoint struct {
	hz, low, high float64 // the middle and the ends
	db, off       float64 // mean of the magnitude, and its standard deviation by the noise
}

// bellShape are a bell's values: the gain beside it and its own in dB, and the logarithms of its
// frequency in Hz and of its Q.
type bellShape [4]float64

// db is the magnitude at a frequency; the rate is 0 for an analogue bell.
func (b bellShape) db(hz, rate float64) float64 {
	centre := math.Exp(b[2])
	x := hz / centre
	if rate > 0 {
		x = math.Tan(math.Pi*hz/rate) / math.Tan(math.Pi*min(centre/rate, 0.4999))
	}
	a, q := math.Pow(10, b[1]/40), math.Exp(b[3])
	straight, up, down := (1-x*x)*(1-x*x), x*a/q, x/(a*q)
	return b[0] + 10*math.Log10((straight+up*up)/(straight+down*down))
}

// mean is the mean magnitude over a point (Simpson's rule).
func (b bellShape) mean(p bellPoint, rate float64) float64 {
	return (b.db(p.low, rate) + 4*b.db(p.hz, rate) + b.db(p.high, rate)) / 6
}

// bellPoints are the magnitudes over the whole band that was measured.
func (f *FrequencyResponse) bellPoints() (all []bellPoint) {
	squares := 0.0
	for _, w := range f.noise.weights {
		squares += w * w
	}
	seconds := squares / float64(f.noise.ir.rate)
	half := math.Exp2(0.5 / bellPointsPerOctave)
	i := 0
	for hz := f.Hz[0] * half; hz*half <= f.Hz[len(f.Hz)-1]; hz *= half * half {
		p := bellPoint{hz: hz, low: hz / half, high: hz * half}
		sum, n := 0.0, 0.0
		for ; i < len(f.Hz) && f.Hz[i] <= p.high; i++ {
			sum, n = sum+dsp.AmplitudeToDB(cmplx.Abs(f.Gain[i])), n+1
		}
		if n < 3 { // the lines are wide apart: the magnitude in the middle
			p.low, p.high, n, sum = hz, hz, 1, f.DB(hz)
		}
		p.db = sum / n
		noise := f.noise.densityNear(hz)
		if noise.freedom == 0 || math.IsInf(p.db, 0) {
			return nil
		}
		share := math.Sqrt(noise.square*squares/2) / dsp.DBToAmplitude(p.db)
		p.off = 20/math.Ln10*share/math.Sqrt(max(1, (p.high-p.low)*seconds)) + 1e-4 // dB; rounding and the cut leave less
		all = append(all, p)
	}
	return all
}

// bellFit is a bell fitted to points.
type bellFit struct {
	bellShape
	rate   float64 // of the digital form; 0: analogue
	square float64 // sum of squares in standard deviations
	off    bellShape
	points []bellPoint
}

// gradient is the change of the magnitude with the values of the bell, in the middle of a point.
func (b *bellFit) gradient(p bellPoint) [4]float64 {
	centre := math.Exp(b.bellShape[2])
	x, moves := p.hz/centre, 1.0 // −d ln x/d ln f0
	if b.rate > 0 {
		angle := math.Pi * min(centre/b.rate, 0.4999)
		x, moves = math.Tan(math.Pi*p.hz/b.rate)/math.Tan(angle), 2*angle/math.Sin(2*angle)
	}
	a, q := math.Pow(10, b.bellShape[1]/40), math.Exp(b.bellShape[3])
	straight, up, down := (1-x*x)*(1-x*x), x*x*a*a/(q*q), x*x/(a*a*q*q)
	slope := -4 * x * x * (1 - x*x) // d straight/d ln x
	above, below := straight+up, straight+down
	const perLog = 10 / math.Ln10
	return [4]float64{1, (up/above + down/below) / 2, -moves * perLog * ((slope+2*up)/above - (slope+2*down)/below), perLog * 2 * (down/below - up/above)}
}

// normal are the normal equations of the fit.
func (b *bellFit) normal() (*mat.SymDense, *mat.VecDense) {
	m, v := mat.NewSymDense(4, nil), mat.NewVecDense(4, nil)
	for _, p := range b.points {
		d, rest, w := b.gradient(p), p.db-b.mean(p, b.rate), 1/(p.off*p.off)
		for k := range d {
			v.SetVec(k, v.AtVec(k)+w*d[k]*rest)
			for l := k; l < 4; l++ {
				m.SetSym(k, l, m.At(k, l)+w*d[k]*d[l])
			}
		}
	}
	return m, v
}

func (b *bellFit) sum() (sum float64) {
	for _, p := range b.points {
		r := (p.db - b.mean(p, b.rate)) / p.off
		sum += r * r
	}
	return sum
}

// fitBell improves a bell by the method of Levenberg and Marquardt.
func fitBell(points []bellPoint, start bellShape, rate float64) *bellFit {
	b := &bellFit{bellShape: start, rate: rate, points: points}
	b.square = b.sum()
	damping := 1e-2
	for range 40 {
		m, v := b.normal()
		for k := range 4 {
			m.SetSym(k, k, m.At(k, k)*(1+damping)+1e-12)
		}
		var step mat.VecDense
		var c mat.Cholesky
		if !c.Factorize(m) || c.SolveVecTo(&step, v) != nil {
			break
		}
		next := *b
		for k := range 4 {
			next.bellShape[k] += step.AtVec(k)
		}
		next.bellShape[2] = max(0, min(math.Log(30000), next.bellShape[2]))
		next.bellShape[3] = max(math.Log(0.05), min(math.Log(200), next.bellShape[3]))
		next.square = next.sum()
		if !(next.square < b.square) {
			if damping *= 8; damping > 1e9 {
				break
			}
			continue
		}
		done := b.square-next.square < 1e-4*b.square
		damping = max(1e-9, damping/8)
		if *b = next; done {
			break
		}
	}
	return b
}

// bound sets the uncertainties, for 95 %: two standard deviations of the noise, which is as large as the
// residual where that is larger, and the most that an error of the size of the largest mean
// residual does to each value.
func (b *bellFit) bound(misfitDB float64) bool {
	m, _ := b.normal()
	var c mat.Cholesky
	if !c.Factorize(m) {
		return false
	}
	var inverse mat.SymDense
	if c.InverseTo(&inverse) != nil {
		return false
	}
	excess := max(1, math.Sqrt(b.square/float64(len(b.points)-4)))
	for k := range 4 {
		moved := 0.0
		for _, p := range b.points {
			d, s := b.gradient(p), 0.0
			for l := range 4 {
				s += inverse.At(k, l) * d[l]
			}
			moved += math.Abs(s) / (p.off * p.off)
		}
		b.off[k] = 2*excess*math.Sqrt(inverse.At(k, k)) + moved*misfitDB
	}
	return true
}

// means are the residuals over twelfths of an octave, with their standard deviations.
func bellMeans(points []bellPoint, of func(p bellPoint) float64) (means, offs []float64) {
	for i := 0; i+bellMeanPoints <= len(points); i += bellMeanPoints / 2 {
		sum, square := 0.0, 0.0
		for _, p := range points[i : i+bellMeanPoints] {
			sum, square = sum+of(p), square+p.off*p.off
		}
		means, offs = append(means, sum/bellMeanPoints), append(offs, math.Sqrt(square)/bellMeanPoints)
	}
	return means, offs
}

// misfit is the largest mean residual beyond the noise that is expected, in dB, and whether it
// is small enough for one bell.
func (b *bellFit) misfit() (db float64, ok bool) {
	means, offs := bellMeans(b.points, func(p bellPoint) float64 { return p.db - b.mean(p, b.rate) })
	limit := bellMisfitDB + bellMisfitShare*math.Abs(b.bellShape[1])
	ok = true
	for i, m := range means {
		db = max(db, math.Abs(m)-2*offs[i])
		ok = ok && math.Abs(m) <= limit+mostBellNoise*offs[i]
	}
	return db, ok
}

// fallsBeyond reports whether the rest of the response, beyond the band that was fitted, only
// falls away from a bell towards the ends.
func (b *bellFit) fallsBeyond(all []bellPoint) bool {
	limit := bellMisfitDB + bellMisfitShare*math.Abs(b.bellShape[1])
	first, last := b.points[0].hz, b.points[len(b.points)-1].hz
	var below, above []bellPoint // outwards
	for i := range all {
		if p := all[len(all)-1-i]; p.hz < first {
			below = append(below, p)
		}
		if all[i].hz > last {
			above = append(above, all[i])
		}
	}
	for _, side := range [][]bellPoint{below, above} {
		means, offs := bellMeans(side, func(p bellPoint) float64 { return p.db - b.mean(p, b.rate) })
		least, off := 0.0, 0.0
		for i, m := range means {
			if m > least+limit+mostBellNoise*(off+offs[i]) {
				return false
			}
			if m < least {
				least, off = m, offs[i]
			}
		}
	}
	return true
}

// bellIn looks for one bell in a band. Without one it returns the reason.
func bellIn(points, all []bellPoint, rate float64) (*bellFit, string) {
	sorted := make([]float64, 0, len(points))
	noises := make([]float64, 0, len(points))
	for _, p := range points {
		sorted, noises = append(sorted, p.db), append(noises, p.off)
	}
	slices.Sort(sorted)
	slices.Sort(noises)
	base := sorted[len(sorted)/2]
	means, offs := bellMeans(points, func(p bellPoint) float64 { return p.db - base })
	most, flat := 0, true
	for i, m := range means {
		flat = flat && math.Abs(m) <= leastBellPeakDB+mostBellNoise*offs[i]
		if math.Abs(m)-mostBellNoise*offs[i] > math.Abs(means[most])-mostBellNoise*offs[most] {
			most = i
		}
	}
	if flat {
		level := &bellFit{bellShape: bellShape{base, 0, math.Log(1000), 0}, points: points}
		switch {
		case mostBellNoise*noises[len(noises)/2]/math.Sqrt(bellMeanPoints) > leastBellPeakDB:
			return nil, noisyBell
		case level.fallsBeyond(all):
			return nil, noBell
		}
		return nil, notABell
	}
	if most == 0 || most == len(means)-1 {
		return nil, openBell
	}
	centre := points[most*bellMeanPoints/2+bellMeanPoints/2].hz
	var best *bellFit
	for _, q := range []float64{0.5, 2, 8} {
		if b := fitBell(points, bellShape{base, means[most], math.Log(centre), math.Log(q)}, 0); best == nil || b.square < best.square {
			best = b
		}
	}
	other := fitBell(points, best.bellShape, rate)
	if other.square < best.square {
		best, other = other, best
	}
	misfit, ok := best.misfit()
	if !ok || !best.fallsBeyond(all) || !best.bound(misfit) {
		return nil, notABell
	}
	if _, ok := other.misfit(); ok { // then either may be the device's
		for k := range best.off {
			best.off[k] += math.Abs(best.bellShape[k] - other.bellShape[k])
		}
	}
	gain := math.Abs(best.bellShape[1])
	for _, end := range []bellPoint{points[0], points[len(points)-1]} {
		if math.Abs(best.mean(end, best.rate)-best.bellShape[0]) > mostBellSkirt*gain {
			return nil, openBell
		}
	}
	switch {
	case gain < leastBellPeakDB:
		return nil, noBell
	case gain < 2*best.off[1] || best.off[2] > math.Ln2 || best.off[3] > math.Ln2:
		return nil, noisyBell
	}
	return best, ""
}

// bell looks for one bell, in the widest band first. A reason of the widest band that says more
// than that the shape is another one is kept.
func (f *FrequencyResponse) bell(rate float64) (*bellFit, string) {
	all := f.bellPoints()
	why := ""
	for narrower := range len(bellLowHz) + len(bellHighHz) - 1 {
		for j := range bellHighHz {
			i := narrower - j
			if i < 0 || i >= len(bellLowHz) {
				continue
			}
			var points []bellPoint
			for _, p := range all {
				if p.low >= bellLowHz[i] && p.high <= bellHighHz[j] {
					points = append(points, p)
				}
			}
			if len(points) < leastBellOctaves*bellPointsPerOctave {
				continue
			}
			b, reason := bellIn(points, all, rate)
			if reason == "" || reason == noBell {
				return b, reason
			}
			if why == "" || why == notABell {
				why = reason
			}
		}
	}
	if why == "" {
		why = bellNoBase
	}
	return nil, why
}

// addBell adds bell_hz, bell_gain_db and bell_q, from the response to a sweep at a rate.
func (f *FrequencyResponse) addBell(r *measure.Readings, rate int) {
	b, reason := f.bell(float64(rate))
	hz := measure.Reading{Unit: "Hz", Reason: reason, Definition: "centre frequency of the one bell that was fitted to the magnitude"}
	gain := measure.Reading{Unit: "dB", Reason: reason, Reference: "the gain beside the bell", Definition: "gain at the centre of the one bell that was fitted to the magnitude"}
	q := measure.Reading{Reason: reason, Definition: "Q of the prototype (s² + s·A/Q + 1)/(s² + s/(A·Q) + 1), A = 10^(dB/40), in the W3C Audio EQ Cookbook: not that of the half-power points"}
	if b != nil {
		shape := "analogue bell"
		if b.rate > 0 {
			shape = fmt.Sprintf("Cookbook's digital bell at %g Hz", b.rate)
		}
		why := "by the noise and by the distance from the fit; nearest is the " + shape
		hz.Value, gain.Value, q.Value = math.Exp(b.bellShape[2]), b.bellShape[1], math.Exp(b.bellShape[3])
		hz.Bound = fmt.Sprintf("±%.2g Hz, %s", hz.Value*math.Expm1(b.off[2]), why)
		gain.Bound = fmt.Sprintf("±%.2g dB, %s", b.off[1], why)
		q.Bound = fmt.Sprintf("±%.2g, %s", q.Value*math.Expm1(b.off[3]), why)
		band := spectra.HzText(b.points[0].low) + " to " + spectra.HzText(b.points[len(b.points)-1].high)
		hz.Bandwidth, gain.Bandwidth, q.Bandwidth = band, band, band
	}
	r.Add("bell_hz", hz)
	r.Add("bell_gain_db", gain)
	r.Add("bell_q", q)
}
