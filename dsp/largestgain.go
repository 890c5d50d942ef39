package dsp

import "math"

// largestGain returns the largest gain in dB over frequency, and the frequency in
// Hz at which it occurs, of a squared magnitude that is smooth except for
// resonances. It evaluates 24 frequencies an octave from lo to hi, and 24 within
// two bandwidths around each resonance, and refines the largest.
func largestGain(power func(hz float64) float64, resonances []resonance, lo, hi float64) (db, hz float64) {
	grid := []float64{lo}
	for f := lo; f < hi; f *= 1.0293 { // 2^(1/24)
		grid = append(grid, f)
	}
	for _, r := range resonances {
		for k := -12; k <= 12; k++ {
			grid = append(grid, min(hi, max(lo, r.hz*(1+float64(k)/(6*max(r.q, 0.5))))))
		}
	}
	grid = append(grid, hi)
	hz = lo
	most := power(lo)
	step := lo / 24
	for _, f := range grid {
		if p := power(f); p > most {
			most, hz, step = p, f, f/24
		}
	}
	// The maximum lies between neighbours that are at most a 24th of an octave away:
	// halve the step until a change no longer matters.
	for ; step > hz*1e-7; step /= 2 {
		for _, f := range [...]float64{max(lo, hz-step), min(hi, hz+step)} {
			if p := power(f); p > most {
				most, hz = p, f
			}
		}
	}
	return PowerToDB(most), hz
}

// resonance is a place where a magnitude may have a narrow peak.
type resonance struct{ hz, q float64 }

// LargestGain returns the largest steady-state gain of all sections in series,
// in dB, and the frequency in Hz at which it occurs.
func (c *Cascade) LargestGain(rate float64) (db, hz float64) {
	var magnitudes []squared
	var resonances []resonance
	for _, s := range c.sections {
		magnitudes = append(magnitudes, squaredMagnitude(s))
		// Poles r·e^(±jω): A2 = r², A1 = −2 r cos ω.
		if r := math.Sqrt(max(0, s.A2)); r > 0 && r < 1 && math.Abs(s.A1) < 2*r {
			angle := math.Atan2(math.Sqrt(float64(4*s.A2)-float64(s.A1*s.A1)), -s.A1)
			resonances = append(resonances, resonance{angle / (2 * math.Pi) * rate, angle / (-2 * math.Log(r))})
		}
	}
	return largestGain(func(f float64) float64 {
		sin, _ := SincosPi(f / rate)
		power := 1.0
		for _, m := range magnitudes {
			power *= m.at(sin * sin)
		}
		return power
	}, resonances, min(1, rate/4), rate/2)
}

// LargestGain returns the largest gain in dB of the analogue prototypes of all
// bands in series, and the frequency in Hz at which it occurs. A shelf with Q above
// 0.7071 exceeds its set gain near its centre, and overlapping bands add up.
func (s EqualiserSettings) LargestGain() (db, hz float64) {
	var prototypes []prototype
	var resonances []resonance
	for _, b := range s.Bands {
		p := newPrototype(b)
		pole, q := p.pole()
		prototypes, resonances = append(prototypes, p), append(resonances, resonance{pole, q})
	}
	return largestGain(func(f float64) float64 {
		power := 1.0
		for _, p := range prototypes {
			power *= p.gain(f)
		}
		return power
	}, resonances, 1, 200_000)
}
