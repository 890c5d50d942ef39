package instrument

import (
	"fmt"
	"math"
	"math/cmplx"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/internal/spectra"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// SweepResponse measures magnitude, phase and group delay with an exponential sweep (Farina
// 2000). The response is divided by the sweep. Harmonics that a device adds then precede its
// linear response, and are cut off.
//
// A level-dependent stage is not linear: its response is its gain at the sweep's level, as fast
// as it can follow.
type SweepResponse struct {
	Sweep    stimulus.Swept
	Declared func(hz float64) complex128 // the response to compare with; nil: none
	TailMs   int                         // the longest ringing of the device, up to 60,000; 0 means 1000
}

// Stimulus is the sweep.
func (s SweepResponse) Stimulus() stimulus.Signal { return s.Sweep }

const (
	standardTailMs = 1000
	// MostTailMs is the longest tail that a SweepResponse takes.
	MostTailMs = 60000
)

// tail is the longest ringing of the device, in frames.
func (s SweepResponse) tail(rate int) int {
	ms := s.TailMs
	if ms <= 0 {
		ms = standardTailMs
	}
	return rate * min(ms, MostTailMs) / 1000
}

// sweepDeconvolver divides responses by a sweep, and is exact from low to high in Hz. Responses
// may be longer than the sweep by a number of frames.
func sweepDeconvolver(s stimulus.Swept, sent []float64, longer, rate int) (d *deconvolver, low, high float64) {
	from, to := s.Band()
	low, high = from*math.Sqrt2, to*0.96 // room for the fades
	return newDeconvolver(sent, longer, rate, bandWeight(from, low, high, to)), low, high
}

// Curves returns each channel's response.
func (s SweepResponse) Curves(rate int, response Response) (all []*FrequencyResponse, err error) {
	err = s.eachCurve(rate, response, func(_ int, _ []float64, f *FrequencyResponse) {
		f.noise, f.cuts = nil, nil // they hold the whole response
		all = append(all, f)
	})
	return all, err
}

// eachCurve calls a function with every channel and its response, one after the other.
func (s SweepResponse) eachCurve(rate int, response Response, read func(c int, plane []float64, f *FrequencyResponse)) error {
	after := s.tail(rate)
	longer := max(rate, after)
	swept, err := sweptWires.of(s.Sweep, rate, after, longer)
	if err != nil {
		return err
	}
	d, before, wire, plain := swept.deconvolver(), swept.before, swept.wire, swept.plain
	return eachPlane(response, func(c int, plane []float64) error {
		if err := fits(plane, swept.sent, longer, rate); err != nil {
			return err
		}
		ir := d.divide(plane)
		f := swept.stretch(ir)
		for i := range f.Hz {
			f.Gain[i] /= plain.Gain[i]
			f.GroupDelayMs[i] -= plain.GroupDelayMs[i]
		}
		seen := f.at
		f.at = func(hz float64) complex128 { return seen(hz) / plain.at(hz) }
		f.seconds = float64(after) / float64(rate)
		f.noise = s.newSweepNoise(ir, len(plane), before, after)
		f.cuts = nil
		for _, share := range cutShares {
			f.cuts = append(f.cuts, func(hz float64) float64 {
				ms := 0.0
				for sign, of := range map[float64]impulseResponse{1: ir, -1: wire} {
					x, from := of.part(of.largest(), int(share*float64(before)), int(share*float64(after)))
					ms += sign * delayAt(x, from, rate, hz)
				}
				return ms
			})
		}
		read(c, plane, f)
		return nil
	})
}

// fits returns an error if sound cannot be a response to a stimulus. It may be longer than the
// stimulus by a number of frames.
func fits(response, sent []float64, longer, rate int) error {
	switch {
	case len(response) < len(sent):
		return fmt.Errorf("the response has %d frames; %d are needed", len(response), len(sent))
	case len(response) > len(sent)+longer:
		return fmt.Errorf("the response has %d frames; up to %d are accepted, %g s more than the stimulus", len(response), len(sent)+longer, float64(longer)/float64(rate))
	case planes.FirstNonFinite(dsp.Block{response}) >= 0:
		return fmt.Errorf("NaN or infinite sample at frame %d", planes.FirstNonFinite(dsp.Block{response}))
	}
	return nil
}

// Analyse reads gain_at_1khz_db; response_max_db and response_min_db, from 20 Hz to 20 kHz
// relative to it; lower_corner_hz, upper_corner_hz, ripple_db and group_delay_at_1khz_ms; with a declared
// response, response_deviation_db; and bell_hz, bell_gain_db and bell_q, where the response is
// one bell.
func (s SweepResponse) Analyse(rate int, response Response) (measure.Readings, error) {
	var all measure.Readings
	err := s.eachCurve(rate, response, func(c int, _ []float64, f *FrequencyResponse) {
		r := f.readings(s.Declared, "exponential sweep, response divided by stimulus, harmonics cut off (Farina 2000)")
		f.addBell(&r, rate)
		all = append(all, ofChannel(r, c, response.Channels())...)
	})
	return all, err
}

// MultitoneResponse measures magnitude, phase and group delay at the tones of a multitone,
// after the device has settled. The device's delay and the tail of its response have to fit
// into one period, which is a second or more.
type MultitoneResponse struct {
	Multitone stimulus.Multitone
	Declared  func(hz float64) complex128 // the response to compare with; nil: none
}

// Stimulus is the multitone.
func (m MultitoneResponse) Stimulus() stimulus.Signal { return m.Multitone }

// Curves returns each channel's response at the tones.
func (m MultitoneResponse) Curves(rate int, response Response) ([]*FrequencyResponse, error) {
	sent, err := m.Multitone.Make(rate)
	if err != nil {
		return nil, err
	}
	length, bins := m.Multitone.Period(rate), m.Multitone.Bins(rate)
	fft := spectra.NewFFT(length)
	settled := func(x []float64) []complex128 { // the mean of the periods after the first
		mean := make([]float64, length)
		for n := range mean {
			for p := 1; p <= m.Multitone.Periods; p++ {
				mean[n] += x[p*length+n]
			}
		}
		return fft.Coefficients(nil, mean)
	}
	in := settled(sent[0])
	var all []*FrequencyResponse
	err = eachPlane(response, func(_ int, plane []float64) error {
		if err := fits(plane, sent[0], rate, rate); err != nil {
			return err
		}
		out := settled(plane)
		f := &FrequencyResponse{seconds: float64(length) / float64(rate)}
		for i, bin := range bins {
			pair := bins[i/2*2]
			turn := out[pair+2] / in[pair+2] / (out[pair] / in[pair])
			delay := -cmplx.Phase(turn) / (2 * math.Pi) / 2 * float64(length) // in frames; the tones are 2 bins apart
			f.Hz = append(f.Hz, float64(bin)*float64(rate)/float64(length))
			f.Gain = append(f.Gain, out[bin]/in[bin])
			f.GroupDelayMs = append(f.GroupDelayMs, delay*1000/float64(rate))
		}
		all = append(all, f)
		return nil
	})
	return all, err
}

// Analyse has the readings of SweepResponse.Analyse, but for those of a bell.
func (m MultitoneResponse) Analyse(rate int, response Response) (measure.Readings, error) {
	curves, err := m.Curves(rate, response)
	if err != nil {
		return nil, err
	}
	return curveReadings(curves, m.Declared, "multitone, settled periods of the response divided by the stimulus"), nil
}

// curveReadings are the readings of each channel's curve.
func curveReadings(curves []*FrequencyResponse, declared func(hz float64) complex128, method string) measure.Readings {
	var all measure.Readings
	for c, f := range curves {
		all = append(all, ofChannel(f.readings(declared, method), c, len(curves))...)
	}
	return all
}

// edgesHz is by how much the end of the band at edgeHz may move a corner at hz. The edge rings:
// in a response of T seconds its spectrum leaks 1/(2π·Δf·T) of the edge's amplitude over a
// distance Δf (the envelope of a sinc, for an edge that is a step; a softer edge leaks less). A
// relative error ε changes the magnitude by 8.69·ε dB. At its corner one pole falls by 4.34 dB
// for a relative change of frequency of 1, and more poles fall faster. So ε moves the corner by
// 2·ε·hz, which is hz/(π·Δf·T). Between the tones of a multitone a corner is uncertain by half
// their distance. A formula has neither uncertainty.
func (f *FrequencyResponse) edgesHz(hz, edgeHz float64) (off float64) {
	if f.seconds > 0 {
		off = hz / (math.Pi * max(1, math.Abs(hz-edgeHz)) * f.seconds)
	}
	if i := f.index(hz); f.at == nil && i > 0 {
		off += (f.Hz[i] - f.Hz[i-1]) / 2
	}
	return off
}

// addCorners adds the frequencies at which the magnitude is 3.01 dB below that at 1 kHz, on
// both sides, and the ripple between them: from an octave above the lower corner to an octave
// below the upper one, within the band from low to high in Hz.
func (f *FrequencyResponse) addCorners(r *measure.Readings, reason string, low, high float64, method string) {
	const middle = 1000
	for _, corner := range []struct {
		name    string
		towards float64
		end     *float64
		octave  float64
		beyond  string
	}{{"lower_corner_hz", f.Hz[0], &low, 2, "under"}, {"upper_corner_hz", f.Hz[len(f.Hz)-1], &high, 0.5, "above"}} {
		about := measure.Reading{Unit: "Hz", Reference: "the gain at 1 kHz", Reason: reason, Definition: "half the power, 10·log10(1/2) = −3.01 dB; " + method}
		if reason == "" {
			hz, err := f.crossing(middle, corner.towards, f.DB(middle)+dsp.PowerToDB(0.5))
			if about.Value = hz; err != nil {
				about.Reason = corner.beyond + " " + spectra.HzText(corner.towards) + ": up to there the magnitude does not fall by 3.01 dB"
			} else if about.Bound = fmt.Sprintf("±%.2g Hz by the ends of the band and of the response", f.edgesHz(hz, corner.towards)); corner.octave > 1 {
				*corner.end = max(*corner.end, hz*corner.octave)
			} else {
				*corner.end = min(*corner.end, hz*corner.octave)
			}
		}
		r.Add(corner.name, about)
	}
	ripple := measure.Reading{Unit: "dB", Bandwidth: spectra.HzText(low) + " to " + spectra.HzText(high), Reason: reason,
		Definition: "highest less lowest magnitude, an octave and more inside the corners; " + method}
	most, least := math.Inf(-1), math.Inf(1)
	for i, hz := range f.Hz {
		if db := dsp.AmplitudeToDB(cmplx.Abs(f.Gain[i])); hz >= low && hz <= high {
			most, least = max(most, db), min(least, db)
		}
	}
	switch {
	case reason != "":
	case low >= high || math.IsInf(most, -1):
		ripple.Reason = "the corners leave no band between them"
	case math.IsInf(least, -1):
		ripple.Reason = "exactly 0 within the band"
	default:
		ripple.Value = most - least
	}
	r.Add("ripple_db", ripple)
}

func (f *FrequencyResponse) readings(declared func(hz float64) complex128, method string) measure.Readings {
	var r measure.Readings
	low, high := max(bandLowHz, f.Hz[0]), min(bandHighHz, f.Hz[len(f.Hz)-1])
	band := spectra.HzText(low) + " to " + spectra.HzText(high)
	reason := ""
	middle := 1000.0
	if !f.covers(middle) {
		reason = "1 kHz lies outside the band that was measured"
	} else if cmplx.Abs(f.Gain[f.index(middle)]) < 1e-9 {
		reason = "the output is 0 at 1 kHz"
	}
	most, mostAt, least, leastAt := math.Inf(-1), low, math.Inf(1), low
	for i, hz := range f.Hz {
		if db := dsp.AmplitudeToDB(cmplx.Abs(f.Gain[i])); hz >= low && hz <= high {
			if db > most {
				most, mostAt = db, hz
			}
			if db < least {
				least, leastAt = db, hz
			}
		}
	}
	var gain, delay float64
	if reason == "" {
		gain, delay = f.DB(middle), f.DelayMs(middle)
	}
	r.Add("gain_at_1khz_db", measure.Reading{Value: gain, Reason: reason, Unit: "dB", Reference: "the stimulus", Definition: method})
	r.Add("response_max_db", measure.Reading{Value: most - gain, Reason: reason, Unit: "dB", Reference: "the gain at 1 kHz", Bandwidth: band, Definition: fmt.Sprintf("%s; found at %s", method, spectra.HzText(mostAt))})
	lowest := measure.Reading{Value: least - gain, Reason: reason, Unit: "dB", Reference: "the gain at 1 kHz", Bandwidth: band, Definition: fmt.Sprintf("%s; found at %s", method, spectra.HzText(leastAt))}
	if reason == "" && math.IsInf(least, -1) {
		lowest.Reason = "exactly 0 at " + spectra.HzText(leastAt)
	}
	r.Add("response_min_db", lowest)
	f.addCorners(&r, reason, low, high, method)
	atMiddle := measure.Reading{Value: delay, Reason: reason, Unit: "ms", Definition: "-dφ/dω; a filter has it without latency"}
	f.addOpenDelay(&atMiddle, middle)
	r.Add("group_delay_at_1khz_ms", atMiddle)
	if declared != nil {
		db, hz := f.Deviation(declared, low, high)
		silent := ""
		if math.IsInf(db, 0) {
			silent = "exactly 0 at " + spectra.HzText(hz)
		}
		r.Add("response_deviation_db", measure.Reading{Value: math.Abs(db), Reason: silent, Unit: "dB", Reference: "the declared response", Bandwidth: band,
			Definition: fmt.Sprintf("largest difference of magnitudes where %d dB or more are declared; %+.4f dB at %s; %s", leastDeclaredDB, db, spectra.HzText(hz), method)})
	}
	return r
}
