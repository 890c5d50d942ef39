package proof

import (
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
)

// A response is a complex gain at a frequency in Hz.
type response func(hz float64) complex128

// curve is the response as an instrument would have measured it.
func (r response) curve(rate int) *instrument.FrequencyResponse {
	var grid []float64
	for hz := 5 * math.Sqrt2; hz < float64(rate)/2; hz *= math.Exp2(1.0 / 96) {
		grid = append(grid, hz)
	}
	return instrument.SampledResponse(grid, r)
}

func highPass(s dsp.HighPassSettings, rate int) []experiment {
	declared := butterworthHighPass(s.SlopeDBPerOctave/6, s.CornerHz, rate)
	pass := math.Sqrt(s.CornerHz * float64(rate) / 2) // between corner and Nyquist frequency, over the logarithm
	swept := sweptThrough(0, s)
	experiments := []experiment{swept.deviates(declared, rate, sweepBoundDB, "ten times the sweep's own error, from the Butterworth filter in closed form")}
	// The sweep has to show an octave below the corner, or it cannot be read back.
	if s.CornerHz < 4*sweep(rate, 1).FromHz || pass < 4*s.CornerHz {
		return append(experiments, silent(sweepCondition, fmt.Sprintf("the sweep shows too little on one side of a corner at %g Hz; response_deviation_db judges the whole curve", s.CornerHz), "corner_hz", "slope_db_per_octave"))
	}
	read := func(f *instrument.FrequencyResponse) measure.Readings {
		return f.CornerReadings(pass, max(f.Hz[0], s.CornerHz/16))
	}
	// The claim is the reading of the declared response: a low order is not yet flat at
	// the pass frequency.
	expected := read(declared.curve(rate))
	var claims []Claim
	var unclaimed []omission
	if corner, _ := expected.Get("corner_hz"); !corner.Measurable() {
		unclaimed = append(unclaimed, omission{"corner_hz", "for the declared response: " + corner.Reason})
	} else {
		claims = append(claims, within("corner_hz", math.Round(100*corner.Value)/100, 0.005*s.CornerHz, "0.5 %: a tenth of what is audible, and of a component's tolerance (common practice, no source)"))
	}
	if slope, _ := expected.Get("slope_db_per_octave"); !slope.Measurable() {
		unclaimed = append(unclaimed, omission{"slope_db_per_octave", "for the declared response: " + slope.Reason})
	} else {
		claims = append(claims, within("slope_db_per_octave", slope.Value, 0.01*math.Abs(slope.Value),
			fmt.Sprintf("1 %% of the slope that a Butterworth filter of order %d has over these octaves", s.SlopeDBPerOctave/6)))
	}
	x := swept.readBack(claims, read)
	x.unclaimed = unclaimed
	return append(experiments, x)
}

func equaliser(s dsp.EqualiserSettings, rate int) []experiment {
	s = s.At(rate)
	strays, whole := strayDB(s, rate), response(func(float64) complex128 { return 1 })
	for _, b := range s.Bands {
		whole = product(whole, cookbookBand(b, s.Design, rate))
	}
	why := "ten times the sweep's own error, from the Cookbook's filter"
	if s.Design == dsp.Matched {
		why = "the deviation from the analogue filter that the stage declares, and the sweep's error"
	}
	swept := sweptThrough(0, s)
	experiments := []experiment{swept.deviates(whole, rate, sum(strays)+sweepBoundDB, why)}
	for i, b := range s.Bands {
		others := response(func(float64) complex128 { return 1 })
		for k, other := range s.Bands {
			if k != i {
				others = product(others, cookbookBand(other, s.Design, rate))
			}
		}
		// The others' deviations remain in it.
		claims, unclaimed, read := bandClaims(b, s.Design, rate, sum(strays)+sweepBoundDB)
		x := swept.readBack(claims, func(f *instrument.FrequencyResponse) measure.Readings { return read(f.Without(others)) })
		x.unclaimed = unclaimed
		if len(s.Bands) > 1 {
			x.Condition += fmt.Sprintf("; band %d, less the declared response of the others", i+1)
		}
		experiments = append(experiments, x)
	}
	return experiments
}

// strayDB is by how many dB each band declares to deviate from its analogue prototype;
// only matched bands deviate.
func strayDB(s dsp.EqualiserSettings, rate int) []float64 {
	e, err := dsp.NewEqualiser(s, rate, 1)
	if err != nil || s.Design != dsp.Matched {
		return nil
	}
	return e.BandDeviationsDB()
}

func sum(x []float64) (total float64) {
	for _, v := range x {
		total += v
	}
	return total
}

// readableDB is the least gain of a band whose Q can be read back: in a smaller one, the
// deviation of a matched band moves the half-gain points too far.
const readableDB = 3

// bandClaims are the claims that can be read back of one band within the audio band, the
// readings that cannot, and how they are read.
func bandClaims(b dsp.Band, design dsp.FilterDesign, rate int, strays float64) (claims []Claim, unclaimed []omission, read func(*instrument.FrequencyResponse) measure.Readings) {
	omit := func(reason string, readings ...string) {
		unclaimed = silent("", reason+"; response_deviation_db judges the whole curve", readings...).unclaimed
	}
	top := min(20000, 0.45*float64(rate))
	names := map[dsp.BandShape][]string{dsp.Bell: {"centre_hz", "bell_gain_db", "bell_q"}, dsp.LowShelf: {"shelf_hz"}, dsp.HighShelf: {"shelf_hz"}, dsp.Notch: {"notch_hz", "notch_depth_db", "notch_q"}}[b.Shape]
	switch {
	case b.Shape != dsp.Notch && math.Abs(b.GainDB) < 1:
		omit(fmt.Sprintf("%+g dB is too little to read a band back from", b.GainDB), names...)
		return nil, unclaimed, nil
	case b.CentreHz < 40 || b.CentreHz > top/2:
		omit(fmt.Sprintf("%g Hz is too near an end of the band from 20 Hz to %g Hz", b.CentreHz, top), names...)
		return nil, unclaimed, nil
	}
	const hzWhy, qWhy = "2 %: less than a tenth of a third of an octave", "5 %: by which a deviation of the gain moves the half-gain points"
	switch b.Shape {
	case dsp.Notch:
		return notchClaims(b, design, rate)
	case dsp.Bell:
		claims = []Claim{
			within("centre_hz", b.CentreHz, 0.02*b.CentreHz, hzWhy),
			within("bell_gain_db", b.GainDB, strays, "the deviation from the analogue filter that the stage declares, and the sweep's error"),
		}
		if math.Abs(b.GainDB) >= readableDB && b.Q >= 0.5 && b.CentreHz*(1+1/b.Q) < top {
			// The bilinear transform narrows a bell: the width after that is declared.
			claims = append(claims, within("bell_q", declaredQ(b, design, rate), 0.05*b.Q, qWhy))
		} else {
			omit("with this gain, Q and centre the bell has no half-gain points that could be read", "bell_q")
		}
		return claims, unclaimed, func(f *instrument.FrequencyResponse) measure.Readings {
			return f.BellReadings(b.CentreHz/1.5, b.CentreHz*1.5)
		}
	case dsp.LowShelf, dsp.HighShelf:
		off, on := top*0.99, max(10, b.CentreHz/16)
		if b.Shape == dsp.HighShelf {
			off, on = on, off
		}
		if math.Abs(b.GainDB) < readableDB || b.Q < 0.5 {
			omit("gain or Q of the shelf are too small to find half of the gain", names...)
			return nil, unclaimed, nil
		}
		read = func(f *instrument.FrequencyResponse) measure.Readings { return f.ShelfReadings(off, on) }
		// The shelf is read at half of the gain that it reaches at the end of the band.
		half, _ := read(cookbookBand(b, design, rate).curve(rate)).Get("shelf_hz")
		if !half.Measurable() {
			omit("for the declared response: "+half.Reason, names...)
			return nil, unclaimed, nil
		}
		return []Claim{within("shelf_hz", half.Value, 0.025*b.CentreHz, "2.5 %: by which the deviation moves the point of half the gain")}, nil, read
	}
	return nil, nil, nil // no other shape exists
}

// leastNotchDB is the least depth of a notch: a hundredth of the amplitude. The formula's
// zeros lie on the unit circle; how deep a measurement reads depends on its grid. (own
// choice)
const leastNotchDB = 40

// notchClaims are centre, depth and Q of a notch.
func notchClaims(b dsp.Band, design dsp.FilterDesign, rate int) (claims []Claim, unclaimed []omission, read func(*instrument.FrequencyResponse) measure.Readings) {
	read = func(f *instrument.FrequencyResponse) measure.Readings {
		return f.NotchReadings(b.CentreHz/1.5, b.CentreHz*1.5)
	}
	declared := read(cookbookBand(b, design, rate).curve(rate))
	hz, _ := declared.Get("notch_hz")
	q, _ := declared.Get("notch_q")
	if !hz.Measurable() || !q.Measurable() {
		reason := "for the declared response: " + hz.Reason
		return nil, silent("", reason, "notch_hz", "notch_depth_db", "notch_q").unclaimed, nil
	}
	return []Claim{
		within("notch_hz", math.Round(100*hz.Value)/100, 0.02*b.CentreHz/max(1, b.Q), "2 % of the width of the notch, and of its centre at most"),
		Claim{measure.AtLeast("notch_depth_db", leastNotchDB), "a hundredth of the amplitude"},
		within("notch_q", q.Value, 0.05*q.Value, "5 %, as for a bell"),
	}, nil, read
}
