package stimulus

import (
	"math"
	"math/cmplx"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"
)

// The filter of pink noise against its definition, 3.0103 dB per octave. Its comment states
// ±0.05 dB.
func TestPinkFilterSlope(t *testing.T) {
	for _, rate := range []float64{8000, 44100, 48000, 96000, 192000} {
		low, high := math.Inf(1), math.Inf(-1)
		for hz := 20.0; hz < 0.45*rate; hz *= 1.01 {
			gain := complex(1, 0)
			for _, s := range pinkSections(rate) {
				z := cmplx.Exp(complex(0, -2*math.Pi*hz/rate))
				gain *= (complex(s.B0, 0) + complex(s.B1, 0)*z) / (1 + complex(s.A1, 0)*z)
			}
			off := 20*math.Log10(cmplx.Abs(gain)) + 10*math.Log10(hz)
			low, high = min(low, off), max(high, off)
		}
		if high-low > 0.1 {
			t.Errorf("%g Hz: the slope is off by %.4f dB", rate, high-low)
		}
	}
}

// Octaves of pink noise have equal power; those of white noise rise by 3.01 dB each. An
// octave's power is uncertain by 4.34 dB/√(bandwidth × time): 0.03 dB for the lowest here, 375
// Hz × 58 s. The limit is four times the uncertainty of a difference, plus the filter's 0.05 dB
// and 0.02 dB for sums of bins in place of integrals.
func TestPowerInOctavesOfNoise(t *testing.T) {
	const rate, length = 48000, 4096
	for _, c := range []struct {
		signal Signal
		slope  float64
	}{{PinkNoise{PeakDBFS: -20, Seconds: 60, Seed: 3}, 0}, {WhiteNoise{PeakDBFS: -20, Seconds: 60, Seed: 3}, 10 * math.Log10(2)}} {
		block, err := c.signal.Make(rate)
		if err != nil {
			t.Fatal(err)
		}
		fft := fourier.NewFFT(length)
		power := make([]float64, length/2+1)
		windowed := make([]float64, length)
		for from := rate; from+length < len(block[0])-rate; from += length / 2 {
			for n := range windowed {
				windowed[n] = block[0][from+n] * (0.5 - 0.5*math.Cos(2*math.Pi*float64(n)/length))
			}
			for k, v := range fft.Coefficients(nil, windowed) {
				power[k] += real(v)*real(v) + imag(v)*imag(v)
			}
		}
		octave := func(hz float64) float64 {
			sum := 0.0
			for k := int(hz * length / rate); k < int(2*hz*length/rate); k++ {
				sum += power[k]
			}
			return 10 * math.Log10(sum)
		}
		for hz := 375.0; hz < 12000; hz *= 2 {
			if rise := octave(2*hz) - octave(hz); math.Abs(rise-c.slope) > 0.25 {
				t.Errorf("%s: octave from %g Hz rises by %.3f dB, want %.2f", c.signal.Kind(), hz, rise, c.slope)
			}
		}
	}
}

// Golomb, "Shift Register Sequences" (1967): one period of a maximum-length sequence has one −1
// (here: +1) more than the other sign, and its periodic autocorrelation is −1 at every lag but
// 0. Some lags are tested; the period is then no shorter.
func TestMaximumLengthSequences(t *testing.T) {
	for order := leastMLSOrder; order <= mostMLSOrder; order++ {
		m := MLS{Order: order, Periods: 1, PeakDBFS: 0}
		block, err := m.Make(48000)
		if err != nil {
			t.Fatal(err)
		}
		x := block[0]
		sum := 0.0
		for _, v := range x {
			sum += v
		}
		if math.Abs(sum) != 1 {
			t.Errorf("order %d: the sum of a period is %g", order, sum)
		}
		shifts := []int{1, 2, 3, 7, len(x) / 2, len(x) / 3, len(x) / 7, len(x) / 31, len(x) / 73}
		for _, shift := range shifts {
			c := 0.0
			for n, v := range x {
				c += v * x[(n+shift)%len(x)]
			}
			if c != -1 {
				t.Errorf("order %d: autocorrelation %g at %d", order, c, shift)
			}
		}
	}
}
