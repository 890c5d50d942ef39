package instrument

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/spectra"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// MainsProducts measures hum while the input is digital zero: the mains frequency and its
// harmonics up to the fifth (AES17-2015 6.5.1). Stages that change their gain have to be off,
// as for IdleNoise.
type MainsProducts struct {
	MainsHz  float64 // 50 or 60; 0: the stronger one
	Seconds  float64 // 0 means 10
	Channels int     // 0 means one
	SettleMs int     // left out at the start; 0 means 1000
}

// Stimulus is silence.
func (m MainsProducts) Stimulus() stimulus.Signal {
	return IdleNoise{Seconds: m.Seconds, Channels: m.Channels}.Stimulus()
}

// mainsHarmonics is the number of products in AES17.
const mainsHarmonics = 5

// Analyse reads mains_hz, mains1_dbfs to mains5_dbfs and mains_sum_dbfs.
func (m MainsProducts) Analyse(rate int, response Response) (measure.Readings, error) {
	from, to := idleFrames(rate, IdleNoise{Seconds: m.Seconds}.seconds(), m.SettleMs)
	return eachChannel(response, from, to, func(x []float64) measure.Readings {
		reason := noNoise(x)
		series := mainsSeries{}
		if reason == "" {
			series, reason = m.find(&steadyTones{rest: x, lines: spectra.NewLines(x, rate), rate: rate})
		}
		var r measure.Readings
		r.Add("mains_hz", measure.Reading{Value: series.hz, Unit: "Hz", Reason: reason, Definition: fmt.Sprintf("fundamental of the strongest series within %g %% of the mains frequency", 100*spectra.HumTolerance)})
		about := measure.Reading{Unit: "dBFS", Reason: reason, Reference: aes17Scale, Weighting: "none", Definition: "AES17-2015 6.5.1"}
		for k := range mainsHarmonics {
			about.Bound = series.bounds[k]
			r.AddLevel(fmt.Sprintf("mains%d_dbfs", k+1), series.peaks[k]*series.peaks[k], about)
		}
		about.Definition, about.Bound = "AES17-2015 6.5.1: power sum of the products", series.sum.bound()
		about.AddBound(gainVoids)
		r.AddLevel("mains_sum_dbfs", series.power(), about)
		return r
	})
}

// mainsSeries is a mains frequency and its products.
type mainsSeries struct {
	hz     float64
	peaks  [mainsHarmonics]float64
	bounds [mainsHarmonics]string
	sum    lineSum
}

func (s mainsSeries) power() float64 {
	sum := 0.0
	for _, p := range s.peaks {
		sum += p * p
	}
	return sum
}

func (s *mainsSeries) measure(t *steadyTones) {
	s.sum = lineSum{}
	for k := range s.peaks {
		hz := float64(k+1) * s.hz
		s.peaks[k], s.bounds[k] = t.line(hz)
		s.sum.add(s.peaks[k], t.lines.NoiseAround(hz))
	}
}

// find searches for the series; with a given mains frequency it always returns one.
func (m MainsProducts) find(t *steadyTones) (mainsSeries, string) {
	mains := []float64{50, 60}
	if m.MainsHz != 0 {
		mains = []float64{m.MainsHz}
	}
	// Ten seconds are enough for the search.
	search := spectra.NewLines(t.rest[:min(len(t.rest), 10*t.rate)], t.rate)
	best := mainsSeries{}
	for _, nominal := range mains {
		hz, power := nominal, 0.0
		for f := nominal * (1 - spectra.HumTolerance); f <= nominal*(1+spectra.HumTolerance); f += search.BinHz() / 2 {
			p := 0.0
			for k := 1; k <= 3; k++ {
				v := cmplx.Abs(search.At(float64(k) * f))
				p += v * v
			}
			if p > power {
				hz, power = f, p
			}
		}
		s := mainsSeries{hz: hz}
		s.measure(t)
		// The phase of the strongest product gives a more exact frequency than the grid.
		k := float64(slices.Index(s.peaks[:], slices.Max(s.peaks[:])) + 1)
		if f := spectra.Refine(t.rest, t.rate, k*hz) / k; math.Abs(f-hz) < search.BinHz() {
			s.hz = f
			s.measure(t)
		}
		if m.MainsHz == 0 && !s.standsOut(t) {
			continue
		}
		if s.power() > best.power() {
			best = s
		}
	}
	if best.hz == 0 {
		return best, "no line of 50 or 60 Hz or their harmonics is above the noise"
	}
	return best, ""
}

// standsOut reports whether a product exceeds the highest noise that the search may find: noise
// exceeds its mean power by 15 dB with a probability of e^−31.
func (s mainsSeries) standsOut(t *steadyTones) bool {
	for k, p := range s.peaks {
		if p*p > dsp.DBToPower(spectra.HumStrongDB)*t.lines.NoiseAround(float64(k+1)*s.hz) {
			return true
		}
	}
	return false
}
