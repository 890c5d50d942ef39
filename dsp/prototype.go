package dsp

// prototype is the analogue filter of an equaliser band: the Cookbook's, whose
// transfer function is a ratio of quadratics in s = jf/f0.
type prototype struct {
	shape BandShape
	hz    float64
	a     float64 // 10^(dB/40); squared: the linear gain
	q     float64
}

func newPrototype(b Band) prototype {
	return prototype{b.Shape, b.CentreHz, DBToAmplitude(b.GainDB / 2), b.Q}
}

// gain is the squared magnitude at a frequency.
func (p prototype) gain(hz float64) float64 {
	square := func(x float64) float64 { return float64(x * x) }
	u := square(hz / p.hz)
	switch p.shape {
	case Bell:
		w := u / (p.q * p.q)
		return (square(1-u) + float64(w*(p.a*p.a))) / (square(1-u) + w/(p.a*p.a))
	case LowShelf:
		w := u * p.a / (p.q * p.q)
		return p.a * p.a * (square(p.a-u) + w) / (square(1-float64(p.a*u)) + w)
	case HighShelf:
		w := u * p.a / (p.q * p.q)
		return p.a * p.a * (square(1-float64(p.a*u)) + w) / (square(p.a-u) + w)
	default: // Notch
		return square(1-u) / (square(1-u) + u/(p.q*p.q))
	}
}

// pole is the frequency in Hz and the Q of the pole pair.
func (p prototype) pole() (hz, q float64) {
	switch p.shape {
	case Bell:
		return p.hz, p.a * p.q
	case LowShelf:
		return p.hz / sqrt(p.a), p.q
	case HighShelf:
		return p.hz * sqrt(p.a), p.q
	default:
		return p.hz, p.q
	}
}

// deviationFloorDB is how far down the prototype's response is compared. Below
// it, close to a notch, a difference in dB means only a minute shift in
// frequency.
const deviationFloorDB = -40

// deviation is the largest difference in dB between the magnitude of sections
// in series and the prototype's, from 20 Hz to the top of the audio band or of
// the rate.
func (p prototype) deviation(sections []Biquad, rate float64) float64 {
	worst := 0.0
	for _, hz := range deviationGrid(p.hz, rate) {
		want := p.gain(hz)
		if want < DBToPower(deviationFloorDB) {
			continue
		}
		sin, _ := SincosPi(hz / rate)
		for _, s := range sections {
			want /= squaredMagnitude(s).at(sin * sin)
		}
		worst = max(worst, abs(PowerToDB(want)))
	}
	return worst
}

// bandTop is the highest frequency at which a response is compared: 20 kHz, or
// just below the Nyquist frequency.
func bandTop(rate float64) float64 { return min(20_000, 0.49*rate) }

// deviationGrid is 24 frequencies an octave from 20 Hz up, and more around the
// centre, where narrow bands change quickly.
func deviationGrid(centre, rate float64) []float64 {
	top := bandTop(rate)
	var grid []float64
	for hz, step := 20.0, Exp2(1.0/24); hz < top; hz *= step {
		grid = append(grid, hz)
	}
	for k := -48; k <= 48; k++ {
		if hz := centre * Exp2(float64(k)/96); hz >= 20 && hz < top {
			grid = append(grid, hz)
		}
	}
	return append(grid, top)
}

// squared is a squared magnitude |B|²/|A|² as quadratics in φ = sin²(ω/2).
type squared struct{ num, den [3]float64 }

func squaredMagnitude(s Biquad) squared {
	return squared{quadratic(s.B0, s.B1, s.B2), quadratic(1, s.A1, s.A2)}
}

// quadratic returns the coefficients in φ of |c0 + c1 z⁻¹ + c2 z⁻²|².
func quadratic(c0, c1, c2 float64) [3]float64 {
	dc, nyquist, cross := c0+c1+c2, c0-c1+c2, float64(-4*c0*c2)
	return [3]float64{dc * dc, float64(nyquist*nyquist) - float64(dc*dc) + float64(4*cross), -4 * cross}
}

func (m squared) at(phi float64) float64 { return poly(m.num, phi) / poly(m.den, phi) }

func poly(c [3]float64, x float64) float64 {
	return c[0] + float64(x*(c[1]+float64(x*c[2])))
}
