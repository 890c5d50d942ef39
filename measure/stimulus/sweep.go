package stimulus

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
)

// Swept is a sine whose frequency grows by the same ratio in equal times: [Sweep] or
// [SynchronisedSweep].
type Swept interface {
	Signal
	// Band is where the sweep begins and ends, in Hz.
	Band() (fromHz, toHz float64)
	// HarmonicAdvance is the time in seconds by which the response at the n-th harmonic
	// precedes the linear one, after division by the sweep.
	HarmonicAdvance(n int) float64
}

// Sweep is an exponential swept sine (Farina, "Simultaneous measurement of impulse response and
// distortion with a swept-sine technique", AES 108th Convention, 2000). Every octave takes the
// same time. So the n-th harmonic that a device adds precedes the linear response by a fixed
// time, and can be separated from it.
type Sweep struct {
	FromHz, ToHz float64
	Seconds      float64 // fades included
	PeakDBFS     float64
	Channels     int // 0 means one
}

// StandardSweep covers the audio band and leaves room at its ends for the fades,
// at rates from 44100 Hz.
func StandardSweep(peakDBFS float64) Sweep {
	return Sweep{FromHz: 5, ToHz: 22000, Seconds: 10, PeakDBFS: peakDBFS}
}

// Kind is "sweep".
func (s Sweep) Kind() string { return "sweep" }

// Band is where the sweep begins and ends, in Hz.
func (s Sweep) Band() (fromHz, toHz float64) { return s.FromHz, s.ToHz }

// Growth is the time in seconds in which the frequency grows by the factor e: L in the papers.
func (s Sweep) Growth() float64 { return s.Seconds / ln(s.ToHz/s.FromHz) }

// HarmonicAdvance is the time in seconds by which the response at the n-th harmonic precedes
// the linear one, after division by the sweep.
func (s Sweep) HarmonicAdvance(n int) float64 { return s.Growth() * ln(float64(n)) }

// Make returns the sweep at a rate in Hz.
func (s Sweep) Make(rate int) (dsp.Block, error) {
	if err := s.check(rate); err != nil {
		return nil, err
	}
	plane := make([]float64, frames(s.Seconds, rate))
	turns := growing(s.FromHz, s.Growth(), rate)
	for n := range plane {
		plane[n], _ = dsp.SincosPi(2 * fraction(turns(n)-turns(0)))
	}
	scale(plane, dsp.DBToAmplitude(s.PeakDBFS))
	fade(plane, rate)
	return spread(plane, s.Channels, 0), nil
}

// fraction is the part of a number behind the decimal point, exactly.
func fraction(x float64) float64 { return x - math.Floor(x) }

// ln is the natural logarithm, the same on every machine.
func ln(x float64) float64 { return float64(dsp.Log2(x) * math.Ln2) }

// growing is f1·L·e^(t/L), the turns of a sine whose frequency grows from f1.
func growing(fromHz, growth float64, rate int) func(frame int) float64 {
	return func(frame int) float64 {
		return float64(fromHz * growth * dsp.Exp2(float64(frame)/float64(rate)/growth*math.Log2E))
	}
}

func (s Sweep) check(rate int) error {
	return firstError(checkFormat(rate, s.Channels), checkHz("to_hz", s.ToHz, rate), checkRange("from_hz", s.FromHz, 1, s.ToHz/2, "Hz"),
		checkSeconds("seconds", s.Seconds), checkPeak("peak_dbfs", s.PeakDBFS))
}

// SynchronisedSweep is an exponential sweep whose growth is chosen such that every harmonic has
// the sweep's own phase (Novak, Lotton, Simon, "Synchronized swept-sine: theory, application,
// and implementation", JAES 63(10), 2015). The responses at the harmonics are then right in
// phase as well as in magnitude.
type SynchronisedSweep struct {
	FromHz, ToHz float64
	Seconds      float64 // target; the true length is the nearest synchronised one
	PeakDBFS     float64
	Channels     int // 0 means one
}

// Kind is "synchronised-sweep".
func (s SynchronisedSweep) Kind() string { return "synchronised-sweep" }

// Band is where the sweep begins and ends, in Hz.
func (s SynchronisedSweep) Band() (fromHz, toHz float64) { return s.FromHz, s.ToHz }

// Growth is the time in seconds in which the frequency grows by the factor e, such that the
// sweep begins after a whole number of turns (equation 49).
func (s SynchronisedSweep) Growth() float64 {
	turns := math.Round(s.FromHz * s.Seconds / ln(s.ToHz/s.FromHz))
	return max(1, turns) / s.FromHz
}

// trueSeconds is the length that follows from the growth.
func (s SynchronisedSweep) trueSeconds() float64 { return s.Growth() * ln(s.ToHz/s.FromHz) }

// HarmonicAdvance is the time in seconds by which the response at the n-th harmonic precedes
// the linear one, after division by the sweep.
func (s SynchronisedSweep) HarmonicAdvance(n int) float64 {
	return s.Growth() * ln(float64(n))
}

// Make returns the sweep at a rate in Hz.
func (s SynchronisedSweep) Make(rate int) (dsp.Block, error) {
	if err := Sweep(s).check(rate); err != nil {
		return nil, err
	}
	plane := make([]float64, frames(s.trueSeconds(), rate))
	turns := growing(s.FromHz, s.Growth(), rate)
	for n := range plane {
		plane[n], _ = dsp.SincosPi(2 * fraction(turns(n)))
	}
	scale(plane, dsp.DBToAmplitude(s.PeakDBFS))
	fade(plane, rate)
	return spread(plane, s.Channels, 0), nil
}
