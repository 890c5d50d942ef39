package instrument

import (
	"fmt"
	"math"
	"math/cmplx"
	"regexp"
	"strconv"
	"strings"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/spectra"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// Requested states which readings of a response are wanted that need a parameter: a frequency, a
// pass band or a mask. The zero value asks for none.
type Requested struct {
	GainsAtHz  []float64 // each gives a gain such as gain_at_100hz_db
	PassbandHz float64   // gives corner_hz and slope_db_per_octave; 0: not asked
	Downwards  bool      // the corner lies below the pass band: a high-pass
	Mask       Mask      // gives mask_excess_db; nil: not asked
}

var gainAt = regexp.MustCompile(`^gain_at_([0-9]+(?:p[0-9]+)?)(k?)hz_db(_ch[0-9]+)?$`)

// FrequencyOfGain is the frequency in Hz in the name of a gain, such as gain_at_10khz_db or
// gain_at_31p5hz_db; false for other names.
func FrequencyOfGain(name string) (hz float64, ok bool) {
	m := gainAt.FindStringSubmatch(name)
	if m == nil {
		return 0, false
	}
	hz, err := strconv.ParseFloat(strings.Replace(m[1], "p", ".", 1), 64)
	if m[2] == "k" {
		hz *= 1000
	}
	return hz, err == nil && hz > 0
}

// inName is a number as it is written in the name of a reading: 31p5 for 31.5.
func inName(v float64) string {
	return strings.Replace(strconv.FormatFloat(v, 'f', -1, 64), ".", "p", 1)
}

// IsResponseSignal reports whether the response to a signal is a curve over frequency, from
// which Requested can be read: a sweep or a multitone.
func IsResponseSignal(s stimulus.Signal) bool {
	switch s.(type) {
	case stimulus.Swept, stimulus.Multitone:
		return true
	}
	return false
}

// Of reads each channel of the response to a sweep or a multitone. Other signals have no such
// readings.
func (a Requested) Of(s stimulus.Signal, rate int, response Response) (measure.Readings, error) {
	if len(a.GainsAtHz) == 0 && a.PassbandHz == 0 && a.Mask == nil {
		return nil, nil
	}
	var all measure.Readings
	read := func(c int, _ []float64, f *FrequencyResponse) {
		all = append(all, ofChannel(a.read(f), c, response.Channels())...)
	}
	switch s := s.(type) {
	case stimulus.Swept:
		err := SweepResponse{Sweep: s}.eachCurve(rate, response, read)
		return all, err
	case stimulus.Multitone:
		curves, err := MultitoneResponse{Multitone: s}.Curves(rate, response)
		for c, f := range curves {
			read(c, nil, f)
		}
		return all, err
	}
	return nil, nil
}

func (a Requested) read(f *FrequencyResponse) measure.Readings {
	var r measure.Readings
	for _, hz := range a.GainsAtHz {
		x := f.gainReading(hz)
		r.Add("gain_at_"+inName(hz)+"hz_db", x)
		if hz != 1000 { // the gain at 1 kHz is always read
			r.Add("gain_at_"+inName(hz/1000)+"khz_db", x)
		}
	}
	if a.PassbandHz > 0 {
		end := f.Hz[len(f.Hz)-1]
		if a.Downwards {
			end = f.Hz[0]
		}
		if f.covers(a.PassbandHz) {
			r = append(r, f.CornerReadings(a.PassbandHz, end)...)
		} else {
			reason := spectra.HzText(a.PassbandHz) + " lies outside the band that was measured"
			r.Add("corner_hz", measure.Reading{Unit: "Hz", Reason: reason})
			r.Add("slope_db_per_octave", measure.Reading{Unit: "dB/octave", Reason: reason})
		}
	}
	if a.Mask != nil {
		r.Add("mask_excess_db", f.maskReading(a.Mask))
	}
	return r
}

// gainReading is the magnitude at a frequency.
func (f *FrequencyResponse) gainReading(hz float64) measure.Reading {
	x := measure.Reading{Unit: "dB", Reference: "the stimulus", Definition: "magnitude of the response at " + spectra.HzText(hz)}
	switch db := f.DB(hz); {
	case !f.covers(hz):
		x.Reason = fmt.Sprintf("%s lies outside the band that was measured, %s to %s", spectra.HzText(hz), spectra.HzText(f.Hz[0]), spectra.HzText(f.Hz[len(f.Hz)-1]))
	case math.IsInf(db, -1):
		x.Reason, x.Beyond = "exactly 0 at "+spectra.HzText(hz), -1
	case math.IsNaN(db):
		x.Reason = "not a number at " + spectra.HzText(hz)
	default:
		x.Value = db
	}
	return x
}

// maskReading is the largest excess of the magnitude, relative to that at 1 kHz, over a mask. A
// value below 0 means that the magnitude is inside everywhere.
func (f *FrequencyResponse) maskReading(m Mask) measure.Reading {
	x := measure.Reading{Unit: "dB", Reference: "the gain at 1 kHz"}
	low, high := m[0].Hz, m[len(m)-1].Hz
	first, last := f.Hz[0], f.Hz[len(f.Hz)-1]
	middle := f.DB(1000)
	switch {
	case low < first || high > last:
		x.Reason = fmt.Sprintf("the mask goes from %s to %s, the measurement from %s to %s", spectra.HzText(low), spectra.HzText(high), spectra.HzText(first), spectra.HzText(last))
	case !f.covers(1000):
		x.Reason = "1 kHz lies outside the band that was measured"
	case math.IsInf(middle, 0) || math.IsNaN(middle):
		x.Reason = "the output is 0 at 1 kHz"
	}
	if x.Reason != "" {
		return x
	}
	most, at, got, least, largest := math.Inf(-1), low, 0.0, 0.0, 0.0
	offer := func(hz, db float64) {
		min, max := m.At(hz)
		over := math.Max(min-db, db-max)
		if math.IsNaN(over) && !math.IsInf(min, 0) { // the magnitude is 0 and the mask has a lower bound
			over = math.Inf(1)
		}
		if over > most {
			most, at, got, least, largest = over, hz, db, min, max
		}
	}
	for _, corner := range m {
		offer(corner.Hz, f.DB(corner.Hz)-middle)
	}
	for i, hz := range f.Hz {
		if hz >= low && hz <= high {
			offer(hz, dsp.AmplitudeToDB(cmplx.Abs(f.Gain[i]))-middle)
		}
	}
	x.Definition = fmt.Sprintf("%.2f dB at %s, where the mask allows %s", got, spectra.HzText(at), boundsText(least, largest))
	if x.Value = most; math.IsInf(most, 0) {
		x.Value, x.Beyond, x.Reason = 0, 1, "the output is exactly 0 at "+spectra.HzText(at)
	}
	return x
}

func boundsText(least, most float64) string {
	switch {
	case math.IsInf(least, 0):
		return fmt.Sprintf("at most %.2f dB", most)
	case math.IsInf(most, 0):
		return fmt.Sprintf("at least %.2f dB", least)
	}
	return fmt.Sprintf("%.2f to %.2f dB", least, most)
}
