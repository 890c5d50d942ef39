package dsp

import "math"

// A bilinear section narrows towards the Nyquist frequency. The matched design
// searches for the section whose magnitude stays closest, in dB, to the
// analogue prototype's over the audio band. In φ = sin²(ω/2) a section's
// squared magnitude is a ratio of quadratics,
//
//	|H|² = (N0 + N1 φ + N2 φ²) / (1 + D1 φ + D2 φ²)
//
// (Vicanek, "Matched Second Order Digital Filters", 2016), so there are five
// unknowns. They are found by linear least squares on the equation times its
// denominator, weighted by the denominator of the round before (Sanathanan and
// Koerner, IEEE Trans. Automatic Control 8 (1963) 56), with weights that grow
// where the error is largest, which tends to the minimax solution (Lawson's
// algorithm, 1961). Where this finds nothing usable (at low centres, where φ
// spans many decades), the poles are the impulse-invariant ones and only the
// numerator is fitted. A cut is the inverse of the boost.

// One section cannot follow every prototype. Where it stays more than
// closeEnoughDB away, a second section is fitted to the remaining error.

// closeEnoughDB is the deviation up to which one section is accepted.
const closeEnoughDB = 0.08

// matched returns the sections for a band, and their deviation from the
// prototype in dB. A search takes milliseconds, so results are cached.
func matched(b Band, rate float64) ([]Biquad, float64) {
	b.Optional = false
	return matchedDesigns.of(matchedKey{b, rate}, func() matchedDesign {
		sections, deviation := searchMatched(b, rate)
		return matchedDesign{sections, deviation}
	}).parts()
}

type matchedKey struct {
	band Band
	rate float64
}

type matchedDesign struct {
	sections  []Biquad // read only
	deviation float64
}

func (d matchedDesign) parts() ([]Biquad, float64) { return d.sections, d.deviation }

var matchedDesigns = newKept[matchedKey, matchedDesign](512)

func searchMatched(b Band, rate float64) ([]Biquad, float64) {
	p := newPrototype(b)
	best := []Biquad{cookbookSection(b, rate)}
	deviation := p.deviation(best, rate)
	try := func(sections ...Biquad) {
		if d := p.deviation(sections, rate); d < deviation {
			best, deviation = sections, d
		}
	}
	f := newFit(p, rate, b.Shape == Notch, p.gain)
	if s, ok := f.ratio(); ok {
		try(s)
	}
	if s, ok := f.numerator(); ok {
		try(s)
	}
	if deviation > closeEnoughDB && b.Shape != Notch {
		// The inverse of the band is a different problem to the fit.
		turned := b
		turned.GainDB = -b.GainDB
		inverse := newPrototype(turned)
		if s, ok := newFit(inverse, rate, false, inverse.gain).ratio(); ok {
			try(Biquad{1 / s.B0, s.A1 / s.B0, s.A2 / s.B0, s.B1 / s.B0, s.B2 / s.B0})
		}
	}
	if deviation > closeEnoughDB {
		// The error of the Cookbook section is smooth, and therefore easier to
		// correct than that of the fitted one, which has ripple.
		start := cookbookSection(b, rate)
		m := squaredMagnitude(start)
		rest := newFit(p, rate, false, func(hz float64) float64 {
			sin, _ := SincosPi(hz / rate)
			return p.gain(hz) / m.at(sin*sin)
		})
		if s, ok := rest.ratio(); ok {
			try(start, s)
		}
	}
	return best, deviation
}

// fit is the data of one design: a squared magnitude at many frequencies, as a
// function of x = φ/φ(f0).
type fit struct {
	prototype
	rate   float64
	notch  bool    // the numerator is (x − 1)² times a constant
	unit   float64 // φ(f0)
	x      []float64
	target []float64 // for a notch without its zero: divided by (x − 1)²
	weight []float64 // Lawson's

	columns [][]float64 // of the unknowns, and the right side: what leastSquares solves
	right   []float64
}

const (
	fitRounds    = 12 // of reweighting by the denominator alone
	lawsonRounds = 30
)

func newFit(p prototype, rate float64, notch bool, target func(hz float64) float64) *fit {
	f := &fit{prototype: p, rate: rate, notch: notch}
	sin, _ := SincosPi(p.hz / rate)
	f.unit = sin * sin
	top := bandTop(rate)
	add := func(hz float64) {
		hz = min(max(hz, 0), top)
		if p.gain(hz) < DBToPower(deviationFloorDB) {
			return // too close to a notch's zero
		}
		sin, _ := SincosPi(hz / rate)
		x := sin * sin / f.unit
		t := target(hz)
		if f.notch {
			t /= (x - 1) * (x - 1)
		}
		f.x = append(f.x, x)
		f.target = append(f.target, t)
		f.weight = append(f.weight, 1)
	}
	for k := range 96 {
		add(top * float64(k) / 95)
	}
	geometric := func(centre, octaves float64, count int) {
		for k := range count {
			add(centre * Exp2(octaves*(float64(2*k)/float64(count-1)-1)))
		}
	}
	geometric(p.hz, 1.6, 96)
	pole, _ := p.pole()
	geometric(pole, 1, 64)
	f.columns, f.right = NewBlock(5, len(f.x)), make([]float64, len(f.x))
	return f
}

// ratio fits numerator and denominator.
func (f *fit) ratio() (Biquad, bool) {
	unknowns := 5
	if f.notch {
		unknowns = 3
	}
	previous := [3]float64{1, 0, 0}
	return f.search(func() (num, den [3]float64, ok bool) {
		for i, x := range f.x {
			t := f.target[i]
			w := sqrt(f.weight[i]) / (t * poly(previous, x))
			f.columns[0][i], f.columns[1][i], f.columns[2][i] = -t*x*w, -t*x*x*w, w
			if unknowns == 5 {
				f.columns[3][i], f.columns[4][i] = x*w, x*x*w
			}
			f.right[i] = t * w
		}
		c, ok := leastSquares(f.columns[:unknowns], f.right)
		num, den = [3]float64{c[2], c[3], c[4]}, [3]float64{1, c[0], c[1]}
		previous = den
		return num, den, ok
	}, fitRounds)
}

// numerator fits the numerator to the impulse-invariant poles.
func (f *fit) numerator() (Biquad, bool) {
	if f.notch {
		return Biquad{}, false
	}
	hz, q := f.pole()
	a1, a2 := impulseInvariantPoles(hz/f.rate, q)
	c := quadratic(1, a1, a2)
	den := [3]float64{1, c[1] / c[0] * f.unit, c[2] / c[0] * f.unit * f.unit}
	return f.search(func() (num, _ [3]float64, ok bool) {
		for i, x := range f.x {
			t := f.target[i] * poly(den, x)
			w := sqrt(f.weight[i]) / t
			f.columns[0][i], f.columns[1][i], f.columns[2][i], f.right[i] = w, x*w, x*x*w, t*w
		}
		n, ok := leastSquares(f.columns[:3], f.right)
		return [3]float64{n[0], n[1], n[2]}, den, ok
	}, 0)
}

// impulseInvariantPoles returns a1 and a2 of the pole pair of an analogue
// resonance; hz is a fraction of the rate.
func impulseInvariantPoles(hz, q float64) (a1, a2 float64) {
	w := 2 * math.Pi * hz
	damping := 1 / (2 * q)
	decay := exp(-damping * w)
	if damping <= 1 {
		_, cos := SincosPi(2 * hz * sqrt(1-float64(damping*damping)))
		return -2 * decay * cos, decay * decay
	}
	e := exp(w * sqrt(float64(damping*damping)-1))
	return -decay * (e + 1/e), decay * decay
}

// search runs rounds of a fit, raises the weights where the error is large, and
// returns the best section found.
func (f *fit) search(round func() (num, den [3]float64, ok bool), plain int) (best Biquad, found bool) {
	for i := range f.weight {
		f.weight[i] = 1
	}
	least := math.Inf(1)
	errors := make([]float64, len(f.x))
	for r := range plain + lawsonRounds {
		num, den, ok := round()
		if !ok || !positive(den, 1/f.unit) || !positive(num, 1/f.unit) {
			if r >= plain {
				break
			}
			continue
		}
		worst := 0.0
		for i, x := range f.x {
			errors[i] = abs(Log2(poly(num, x) / (poly(den, x) * f.target[i])))
			worst = max(worst, errors[i])
		}
		if worst < least {
			if s, ok := f.section(num, den); ok {
				best, found, least = s, true, worst
			}
		}
		if r < plain {
			continue
		}
		for i, e := range errors {
			f.weight[i] *= e/worst + 0.001
		}
		normalise(f.weight)
	}
	return best, found
}

func normalise(w []float64) {
	largest := 0.0
	for _, x := range w {
		largest = max(largest, x)
	}
	for i := range w {
		w[i] = max(w[i]/largest, 1e-12)
	}
}

// section turns quadratics in x into a section with all zeros and poles inside
// the unit circle.
func (f *fit) section(num, den [3]float64) (Biquad, bool) {
	a0, a1, a2 := factor(den, f.unit)
	var b0, b1, b2 float64
	if f.notch {
		// |1 − 2cos ω0 z⁻¹ + z⁻²|² = 16 (φ − φ0)² = 16 φ0² (x − 1)².
		_, cos := SincosPi(2 * f.hz / f.rate)
		b0 = sqrt(num[0]) / (4 * f.unit)
		b1, b2 = -2*b0*cos, b0
	} else {
		b0, b1, b2 = factor(num, f.unit)
	}
	s := section(b0, b1, b2, a0, a1, a2)
	finite := true
	for _, c := range []float64{s.B0, s.B1, s.B2, s.A1, s.A2} {
		finite = finite && c-c == 0
	}
	stable := abs(s.A2) < 1 && abs(s.A1) < 1+s.A2
	return s, finite && stable
}

// factor returns c0, c1, c2 with |c0 + c1 z⁻¹ + c2 z⁻²|² = p(φ/unit) and both
// zeros inside the unit circle (Vicanek 2016, eq. 12 to 14).
func factor(p [3]float64, unit float64) (c0, c1, c2 float64) {
	dc := p[0]
	nyquist := poly(p, 1/unit)
	cross := float64(-p[2] / (unit * unit) / 4)
	rootDC, rootNyquist := sqrt(dc), sqrt(nyquist)
	w := float64((rootDC + rootNyquist) / 2)
	c0 = (w + sqrt(float64(w*w)+cross)) / 2
	return c0, (rootDC - rootNyquist) / 2, -cross / (4 * c0)
}

// positive reports whether a quadratic stays above 0 from 0 to top.
func positive(p [3]float64, top float64) bool {
	low := min(p[0], poly(p, top))
	if p[2] > 0 {
		if x := -p[1] / (2 * p[2]); x > 0 && x < top {
			low = min(low, poly(p, x))
		}
	}
	return low > 0
}

// leastSquares solves Σ columns[j]·c[j] = right in the least-squares sense, by the modified
// Gram–Schmidt method on scaled columns. It changes columns and right. What is done with one
// column after the other is done in one pass, which changes no bit.
func leastSquares(columns [][]float64, right []float64) (c [5]float64, ok bool) {
	var r [5][6]float64
	var norm [5]float64
	n := len(columns)
	for j, x := range columns {
		norm[j] = sqrt(product(x, x))
		if !(norm[j] > 0) || norm[j]-norm[j] != 0 {
			return c, false
		}
		for i := range x {
			x[i] /= norm[j]
		}
	}
	var rest [5][]float64 // the columns that follow, and the right side
	for j, x := range columns {
		length := sqrt(product(x, x))
		if !(length > 1e-13) { // the column is spanned by those before it
			return c, false
		}
		r[j][j] = length
		for i := range x {
			x[i] /= length
		}
		last := copy(rest[:], columns[j+1:])
		rest[last] = right
		to := r[j][j+1 : j+2+last] // the right side's lies behind the last column's
		k := 0
		for ; k+2 <= len(to); k += 2 {
			to[k], to[k+1] = subtractBoth(x, rest[k], rest[k+1])
		}
		if k < len(to) {
			to[k] = product(x, rest[k])
			for i, v := range x {
				rest[k][i] -= float64(to[k] * v)
			}
		}
	}
	for j := n - 1; j >= 0; j-- {
		sum := r[j][n]
		for k := j + 1; k < n; k++ {
			sum -= float64(r[j][k] * c[k])
		}
		c[j] = sum / r[j][j]
	}
	for j := range columns {
		c[j] /= norm[j]
	}
	return c, true
}

// subtractBoth subtracts from two columns what they have in common with x, of length 1, and
// returns how much of x that was.
func subtractBoth(x, first, second []float64) (a, b float64) {
	first, second = first[:len(x)], second[:len(x)]
	for i, v := range x {
		a += float64(v * first[i])
		b += float64(v * second[i])
	}
	for i, v := range x {
		first[i] -= float64(a * v)
		second[i] -= float64(b * v)
	}
	return a, b
}

func product(x, y []float64) (sum float64) {
	y = y[:len(x)]
	for i, v := range x {
		sum += float64(v * y[i])
	}
	return sum
}

func sqrt(x float64) float64 { return math.Sqrt(x) }
func abs(x float64) float64  { return math.Abs(x) }
