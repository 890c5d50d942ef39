package instrument

import (
	"fmt"
	"math"
	"math/cmplx"
	"sort"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/internal/spectra"
)

// FrequencyResponse is a device's complex gain at frequencies that rise.
type FrequencyResponse struct {
	Hz           []float64
	Gain         []complex128
	GroupDelayMs []float64 // −dφ/dω; the device's delay is in it

	at func(hz float64) complex128 // the gain at any frequency; nil: known at Hz only

	seconds float64     // of the response that it was read from; 0: of a formula
	noise   *sweepNoise // beside it; nil: not known
	cuts    cutDelays
}

// SampledResponse is a gain in closed form as if it had been measured at some
// frequencies, which rise. It has no group delay.
func SampledResponse(hz []float64, gain func(hz float64) complex128) *FrequencyResponse {
	f := &FrequencyResponse{Hz: hz, at: gain}
	for _, at := range hz {
		f.Gain = append(f.Gain, gain(at))
	}
	return f
}

// leastDivisor is the magnitude from which on a response can be divided by: the
// bottom of a notch hides what it is multiplied with.
const leastDivisor = 1e-6

// Without is the response with that of another device in series taken out, but for
// its group delay.
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

// responseOf is the transform of an impulse response of which x is a stretch from
// a frame on, at frequencies from low to high.
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
		// The derivative of Σ h e^(−jωn) by −jω is Σ n h e^(−jωn).
		delay := float64(from)
		if h != 0 {
			delay += real(moment[k] / h)
		}
		f.GroupDelayMs = append(f.GroupDelayMs, delay*1000/float64(rate))
	}
	return f
}

// exactPhaseFrames is the number of frames between two exact phases of a rotation. In
// between a phase is the former one times a step, and its error grows to 1024 times 1e-16.
const exactPhaseFrames = 1024

// transformAt is the Fourier transform of sound that begins at a frame, at a number of
// turns a frame.
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

// exactDB is the magnitude in dB at a frequency: as the response has it there, or on
// a straight line between points where nothing more is known.
func (f *FrequencyResponse) exactDB(hz float64) float64 {
	if f.at == nil {
		return f.DB(hz)
	}
	return dsp.AmplitudeToDB(cmplx.Abs(f.at(hz)))
}

// DB is the magnitude at a frequency in dB, on a straight line between points.
func (f *FrequencyResponse) DB(hz float64) float64 {
	return f.between(hz, func(i int) float64 { return dsp.AmplitudeToDB(cmplx.Abs(f.Gain[i])) })
}

// DelayMs is the group delay at a frequency in ms, on a straight line between
// points.
func (f *FrequencyResponse) DelayMs(hz float64) float64 {
	return f.between(hz, func(i int) float64 { return f.GroupDelayMs[i] })
}

// between is a value between two points, straight over the logarithm of frequency.
func (f *FrequencyResponse) between(hz float64, value func(i int) float64) float64 {
	i := sort.SearchFloat64s(f.Hz, hz)
	if i == 0 || i == len(f.Hz) {
		return value(min(i, len(f.Hz)-1))
	}
	t := math.Log(hz/f.Hz[i-1]) / math.Log(f.Hz[i]/f.Hz[i-1])
	return (1-t)*value(i-1) + t*value(i)
}

// covers reports whether a frequency lies within the response.
func (f *FrequencyResponse) covers(hz float64) bool {
	return len(f.Hz) > 0 && hz >= f.Hz[0] && hz <= f.Hz[len(f.Hz)-1]
}

// PhaseDegrees is the phase at each frequency, without jumps, once a delay in ms
// is taken out.
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

// Deviation is the largest difference in dB between the magnitude and a declared
// one, from low to high, and the frequency in Hz where it is. Where the declared
// one is below leastDeclaredDB it is not compared.
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

// leastDeclaredDB is the gain below which a magnitude is no longer compared: the
// bottom of a notch is a matter of the last bits.
const leastDeclaredDB = -60

// crossing is the first frequency from one to another, in that direction, at which
// the magnitude crosses a level, or an error.
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

// halved is the frequency between two at which the magnitude crosses a level, by
// halving the distance.
func (f *FrequencyResponse) halved(from, to, levelDB float64) float64 {
	above := f.exactDB(from) >= levelDB
	for range 24 { // to 1e-7 of what is between
		middle := math.Sqrt(from * to)
		if f.exactDB(middle) >= levelDB == above {
			from = middle
		} else {
			to = middle
		}
	}
	return math.Sqrt(from * to)
}

// index is the point next above a frequency.
func (f *FrequencyResponse) index(hz float64) int {
	return min(sort.SearchFloat64s(f.Hz, hz), len(f.Hz)-1)
}
