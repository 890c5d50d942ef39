package instrument

import (
	"fmt"
	"math"
	"math/cmplx"
	"sort"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/internal/spectra"
)

// FrequencyResponse is a device's complex gain at ascending frequencies.
type FrequencyResponse struct {
	Hz           []float64
	Gain         []complex128
	GroupDelayMs []float64 // −dφ/dω, the device's delay included

	at func(hz float64) complex128 // the gain at any frequency; nil: only the gains at Hz exist

	seconds float64     // length of the response that it was computed from; 0: it is a formula
	noise   *sweepNoise // in the response; nil: unknown
	cuts    cutDelays
}

// SampledResponse is a gain in closed form, sampled at ascending frequencies as if it had been
// measured there. It has no group delay.
func SampledResponse(hz []float64, gain func(hz float64) complex128) *FrequencyResponse {
	f := &FrequencyResponse{Hz: hz, at: gain}
	for _, at := range hz {
		f.Gain = append(f.Gain, gain(at))
	}
	return f
}

// leastDivisor is the least magnitude by which a response is divided: at the bottom of a notch
// the other factor is lost.
const leastDivisor = 1e-6

// Without is the response divided by that of another device in series. The group delay is not
// changed.
func (f *FrequencyResponse) Without(other func(hz float64) complex128) *FrequencyResponse {
	divided := func(hz float64, gain complex128) complex128 {
		if o := other(hz); cmplx.Abs(o) > leastDivisor {
			return gain / o
		}
		return gain
	}
	rest := *f
	rest.Gain = make([]complex128, len(f.Gain))
	for i, hz := range f.Hz {
		rest.Gain[i] = divided(hz, f.Gain[i])
	}
	if f.at != nil {
		rest.at = func(hz float64) complex128 { return divided(hz, f.at(hz)) }
	}
	return &rest
}

// responseOf is the transform of an impulse response at frequencies from low to high. x is a
// stretch of the impulse response that begins at frame from.
func responseOf(x []float64, from, rate int, low, high float64) *FrequencyResponse {
	length := 1
	for length < len(x) || length < rate {
		length *= 2
	}
	fft := spectra.NewFFT(length)
	padded := make([]float64, length)
	copy(padded, x)
	gain := fft.Coefficients(nil, padded)
	for n, v := range x {
		padded[n] = float64(n) * v
	}
	moment := fft.Coefficients(nil, padded)
	f := &FrequencyResponse{at: func(hz float64) complex128 { return transformAt(x, from, hz/float64(rate)) }}
	for k, h := range gain {
		hz := float64(k) * float64(rate) / float64(length)
		if hz < low || hz > high {
			continue
		}
		turns := float64(k*from%length) / float64(length)
		f.Hz = append(f.Hz, hz)
		f.Gain = append(f.Gain, h*cmplx.Rect(1, -2*math.Pi*turns))
		// The derivative of Σ h e^(−jωn) with respect to −jω is Σ n h e^(−jωn).
		delay := float64(from)
		if h != 0 {
			delay += real(moment[k] / h)
		}
		f.GroupDelayMs = append(f.GroupDelayMs, delay*1000/float64(rate))
	}
	return f
}

// exactPhaseFrames is the number of frames between two exact phases of a rotation. In between,
// each phase is the one before times a step; the error grows to 1024 times 1e-16.
const exactPhaseFrames = 1024

// transformAt is the Fourier transform of sound that begins at frame from, at a frequency in
// turns per frame.
func transformAt(x []float64, from int, turns float64) (sum complex128) {
	step := cmplx.Rect(1, -2*math.Pi*turns)
	phase := complex(1, 0)
	for n, v := range x {
		if n%exactPhaseFrames == 0 {
			phase = cmplx.Rect(1, -2*math.Pi*math.Mod(turns*float64(n+from), 1))
		}
		sum += complex(v*real(phase), v*imag(phase))
		phase *= step
	}
	return sum
}

// exactDB is the magnitude in dB at a frequency: computed there if possible, else interpolated
// as by DB.
func (f *FrequencyResponse) exactDB(hz float64) float64 {
	if f.at == nil {
		return f.DB(hz)
	}
	return dsp.AmplitudeToDB(cmplx.Abs(f.at(hz)))
}

// DB is the magnitude at a frequency in dB, interpolated linearly between points.
func (f *FrequencyResponse) DB(hz float64) float64 {
	return f.between(hz, func(i int) float64 { return dsp.AmplitudeToDB(cmplx.Abs(f.Gain[i])) })
}

// DelayMs is the group delay at a frequency in ms, interpolated linearly between points.
func (f *FrequencyResponse) DelayMs(hz float64) float64 {
	return f.between(hz, func(i int) float64 { return f.GroupDelayMs[i] })
}

// between interpolates linearly over the logarithm of frequency.
func (f *FrequencyResponse) between(hz float64, value func(i int) float64) float64 {
	i := sort.SearchFloat64s(f.Hz, hz)
	if i == 0 || i == len(f.Hz) {
		return value(min(i, len(f.Hz)-1))
	}
	t := math.Log(hz/f.Hz[i-1]) / math.Log(f.Hz[i]/f.Hz[i-1])
	return (1-t)*value(i-1) + t*value(i)
}

// covers reports whether a frequency lies within the response's band.
func (f *FrequencyResponse) covers(hz float64) bool {
	return len(f.Hz) > 0 && hz >= f.Hz[0] && hz <= f.Hz[len(f.Hz)-1]
}

// PhaseDegrees is the unwrapped phase at each frequency, after a delay in ms is removed.
func (f *FrequencyResponse) PhaseDegrees(withoutDelayMs float64) []float64 {
	all := make([]float64, len(f.Hz))
	for i, hz := range f.Hz {
		turns := math.Mod(hz*withoutDelayMs/1000, 1)
		phase := cmplx.Phase(f.Gain[i]*cmplx.Rect(1, 2*math.Pi*turns)) * 180 / math.Pi
		if i > 0 {
			phase -= 360 * math.Round((phase-all[i-1])/360)
		}
		all[i] = phase
	}
	return all
}

// Deviation is the difference in dB from a declared magnitude, from low to high, where it is
// largest, and the frequency in Hz of that place. Where the declared magnitude is below
// leastDeclaredDB, it is not compared.
func (f *FrequencyResponse) Deviation(declared func(hz float64) complex128, low, high float64) (db, hz float64) {
	hz = low
	for i, at := range f.Hz {
		want := dsp.AmplitudeToDB(cmplx.Abs(declared(at)))
		if at < low || at > high || want < leastDeclaredDB {
			continue
		}
		if d := dsp.AmplitudeToDB(cmplx.Abs(f.Gain[i])) - want; math.Abs(d) > math.Abs(db) {
			db, hz = d, at
		}
	}
	return db, hz
}

// leastDeclaredDB is the gain below which magnitudes are not compared: the bottom of a notch
// depends on the last bits.
const leastDeclaredDB = -60

// crossing is the first frequency, on the way from one to another, at which the magnitude
// crosses a level.
func (f *FrequencyResponse) crossing(from, to, levelDB float64) (float64, error) {
	i, j := f.index(from), f.index(to)
	step := 1
	if j < i {
		step = -1
	}
	db := func(i int) float64 { return dsp.AmplitudeToDB(cmplx.Abs(f.Gain[i])) - levelDB }
	for ; i != j; i += step {
		a, b := db(i), db(i+step)
		if a == 0 || a < 0 != (b < 0) {
			if f.at != nil {
				return f.halved(f.Hz[i], f.Hz[i+step], levelDB), nil
			}
			t := a / (a - b)
			return f.Hz[i] * math.Pow(f.Hz[i+step]/f.Hz[i], t), nil
		}
	}
	return 0, fmt.Errorf("the magnitude does not cross %.2f dB from %s to %s", levelDB, spectra.HzText(from), spectra.HzText(to))
}

// halved is the frequency between two at which the magnitude crosses a level, found by
// bisection.
func (f *FrequencyResponse) halved(from, to, levelDB float64) float64 {
	above := f.exactDB(from) >= levelDB
	for range 24 { // to 1e-7 of the distance
		middle := math.Sqrt(from * to)
		if f.exactDB(middle) >= levelDB == above {
			from = middle
		} else {
			to = middle
		}
	}
	return math.Sqrt(from * to)
}

// index is the first point at or above a frequency, or the last point.
func (f *FrequencyResponse) index(hz float64) int {
	return min(sort.SearchFloat64s(f.Hz, hz), len(f.Hz)-1)
}
