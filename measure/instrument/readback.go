package instrument

import (
	"fmt"
	"math"
	"math/cmplx"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/spectra"
)

// The settings of a filter, read from its measured response. Each function gives readings; one
// that the response does not show has a Reason.

// CornerReadings reads corner_hz, where the magnitude is 3.01 dB (half the power) below that at
// a frequency in the pass band, on the way to another frequency. slope_db_per_octave is the
// slope from two to four octaves beyond the corner.
func (f *FrequencyResponse) CornerReadings(passHz, towardsHz float64) measure.Readings {
	var r measure.Readings
	corner := measure.Reading{Unit: "Hz", Reference: "the magnitude at " + spectra.HzText(passHz), Definition: "10·log10(1/2) = −3.01 dB"}
	slope := measure.Reading{Unit: "dB/octave", Definition: "straight line through the magnitudes from 2 to 4 octaves beyond the corner; less than 0 falls away from the pass band"}
	hz, err := f.crossing(passHz, towardsHz, f.DB(passHz)+dsp.PowerToDB(0.5))
	if err != nil {
		corner.Reason, slope.Reason = err.Error(), "no corner was found"
	} else {
		corner.Value = hz
		slope.Value, slope.Reason = f.slopeBeyond(hz, passHz)
	}
	r.Add("corner_hz", corner)
	r.Add("slope_db_per_octave", slope)
	return r
}

// slopeBeyond fits a line from 2 to 4 octaves beyond a corner, or from 1 to 2 if the response
// ends earlier.
func (f *FrequencyResponse) slopeBeyond(corner, passHz float64) (slope float64, reason string) {
	direction := 1.0
	if corner < passHz {
		direction = -1
	}
	for _, octaves := range [][2]float64{{2, 4}, {1, 2}} {
		near, far := corner*math.Exp2(direction*octaves[0]), corner*math.Exp2(direction*octaves[1])
		if !f.covers(near) || !f.covers(far) {
			continue
		}
		var n, sx, sy, sxx, sxy float64
		const points = 32
		for i := range points + 1 {
			x := octaves[0] + (octaves[1]-octaves[0])*float64(i)/points
			y := f.DB(corner * math.Exp2(direction*x))
			if math.IsInf(y, 0) {
				return 0, "exactly 0 within the octaves of the fit"
			}
			n, sx, sy, sxx, sxy = n+1, sx+x, sy+y, sxx+x*x, sxy+x*y
		}
		return (n*sxy - sx*sy) / (n*sxx - sx*sx), ""
	}
	return 0, fmt.Sprintf("the response does not reach two octaves beyond %s", spectra.HzText(corner))
}

// BellReadings reads centre_hz, bell_gain_db and bell_q of a bell between two frequencies: its
// extreme, and the centre over the distance of the points with half its gain in dB (the Q of
// the W3C Audio EQ Cookbook's bell).
func (f *FrequencyResponse) BellReadings(lowHz, highHz float64) measure.Readings {
	var r measure.Readings
	centre := measure.Reading{Unit: "Hz", Definition: "where the magnitude is furthest from 0 dB, by a parabola over the logarithm of frequency"}
	gain := measure.Reading{Unit: "dB", Reference: "unity gain, 0 dB", Definition: "magnitude there"}
	q := measure.Reading{Definition: "centre over the distance of the points of half the gain in dB"}
	hz, db, err := f.extreme(lowHz, highHz)
	if err != nil {
		centre.Reason, gain.Reason, q.Reason = err.Error(), err.Error(), "no bell was found"
	} else {
		centre.Value, gain.Value = hz, db
		low, lowErr := f.crossing(hz, f.Hz[0], db/2)
		high, highErr := f.crossing(hz, f.Hz[len(f.Hz)-1], db/2)
		if lowErr != nil || highErr != nil {
			q.Reason = "half the gain is not reached on both sides"
		} else {
			q.Value = math.Sqrt(low*high) / (high - low)
		}
	}
	r.Add("centre_hz", centre)
	r.Add("bell_gain_db", gain)
	r.Add("bell_q", q)
	return r
}

// NotchReadings reads notch_hz, notch_depth_db and notch_q of a notch between two frequencies
// in Hz: the middle of the points 3.01 dB down, the least magnitude with its sign changed, and
// the centre over the distance of those points (the Q of the W3C Audio EQ Cookbook's notch).
func (f *FrequencyResponse) NotchReadings(lowHz, highHz float64) measure.Readings {
	var r measure.Readings
	centre := measure.Reading{Unit: "Hz", Definition: "middle, over the logarithm of frequency, of the points 3.01 dB down on either side of the least magnitude"}
	depth := measure.Reading{Unit: "dB", Reference: "unity gain, 0 dB", Definition: "least magnitude, its sign changed"}
	q := measure.Reading{Definition: "centre over the distance of the points 3.01 dB down"}
	first, last := f.index(lowHz), f.index(highHz)
	best := first
	for i := first; i <= last; i++ {
		if cmplx.Abs(f.Gain[i]) < cmplx.Abs(f.Gain[best]) {
			best = i
		}
	}
	// Near its zero the gain moves in a straight line, so it may be smaller between the points
	// than at them.
	least := cmplx.Abs(f.Gain[best])
	for _, i := range []int{best - 1, best} {
		if i >= 0 && i+1 < len(f.Gain) {
			least = min(least, nearest(f.Gain[i], f.Gain[i+1]))
		}
	}
	db := dsp.AmplitudeToDB(least)
	low, lowErr := f.crossing(f.Hz[best], f.Hz[0], dsp.PowerToDB(0.5))
	high, highErr := f.crossing(f.Hz[best], f.Hz[len(f.Hz)-1], dsp.PowerToDB(0.5))
	if best == first || best == last || db > dsp.PowerToDB(0.5) || lowErr != nil || highErr != nil {
		centre.Reason = fmt.Sprintf("no notch of 3 dB from %s to %s", spectra.HzText(lowHz), spectra.HzText(highHz))
		depth.Reason, q.Reason = centre.Reason, centre.Reason
	} else {
		centre.Value, q.Value, depth.Value = math.Sqrt(low*high), math.Sqrt(low*high)/(high-low), -db
		if math.IsInf(db, -1) {
			depth.Value, depth.Reason, depth.Beyond = 0, "exactly 0 there", 1
		}
	}
	r.Add("notch_hz", centre)
	r.Add("notch_depth_db", depth)
	r.Add("notch_q", q)
	return r
}

// nearest is the least distance to 0 of the straight line between two numbers.
func nearest(a, b complex128) float64 {
	way := b - a
	if way == 0 {
		return cmplx.Abs(a)
	}
	t := -(real(a)*real(way) + imag(a)*imag(way)) / (real(way)*real(way) + imag(way)*imag(way))
	return cmplx.Abs(a + complex(max(0, min(1, t)), 0)*way)
}

// extreme is where the magnitude is furthest from 0 dB.
func (f *FrequencyResponse) extreme(lowHz, highHz float64) (hz, db float64, err error) {
	level := func(i int) float64 { return dsp.AmplitudeToDB(cmplx.Abs(f.Gain[i])) }
	first, last := f.index(lowHz), f.index(highHz)
	best := first
	for i := first; i <= last; i++ {
		if math.Abs(level(i)) > math.Abs(level(best)) {
			best = i
		}
	}
	switch {
	case best == first || best == last:
		return 0, 0, fmt.Errorf("the magnitude is furthest from 0 dB at an end, from %s to %s", spectra.HzText(lowHz), spectra.HzText(highHz))
	case math.Abs(level(best)) < leastBellDB:
		return 0, 0, fmt.Errorf("the magnitude stays within %g dB of 0", leastBellDB)
	case math.IsInf(level(best), -1):
		return f.Hz[best], 0, fmt.Errorf("exactly 0 at %s", spectra.HzText(f.Hz[best]))
	}
	return f.crest(f.Hz[best], level(best))
}

// crest is where the magnitude is furthest from 0 dB near a frequency: the vertex of a
// parabola. Its points are far enough apart to be clear of rounding, and close together
// relative to the bell. The fit is repeated around its result.
func (f *FrequencyResponse) crest(nearHz, nearDB float64) (hz, db float64, err error) {
	spread, times := 0.02, 1 // natural logarithm of frequency
	if f.at != nil {
		times = 10
		low, lowErr := f.crossing(nearHz, f.Hz[0], nearDB/2)
		high, highErr := f.crossing(nearHz, f.Hz[len(f.Hz)-1], nearDB/2)
		if lowErr == nil && highErr == nil {
			spread = min(spread, math.Log(high/low)/5)
		}
	}
	x, b := math.Log(nearHz), nearDB
	for range times {
		a, c := f.exactDB(math.Exp(x-spread)), f.exactDB(math.Exp(x+spread))
		curvature := a - 2*b + c
		if curvature == 0 {
			break
		}
		t := max(-1, min(1, (a-c)/(2*curvature)))
		x, db = x+t*spread, b-(a-c)*t/4
		if f.at == nil {
			return math.Exp(x), db, nil
		}
		b = f.exactDB(math.Exp(x))
	}
	return math.Exp(x), b, nil
}

// leastBellDB is the smallest gain that counts as a bell.
const leastBellDB = 0.05

// ShelfReadings reads shelf_gain_db, the magnitude at a frequency well on the shelf relative to
// one well off it; shelf_hz, where half of that in dB is reached (the W3C Audio EQ Cookbook's
// frequency of a shelf); and shelf_q, from the slope there.
func (f *FrequencyResponse) ShelfReadings(offHz, onHz float64) measure.Readings {
	var r measure.Readings
	off := f.DB(offHz)
	total := f.DB(onHz) - off
	gain := measure.Reading{Value: total, Unit: "dB", Reference: "the magnitude at " + spectra.HzText(offHz), Definition: "magnitude at " + spectra.HzText(onHz)}
	corner := measure.Reading{Unit: "Hz", Definition: "where half the gain in dB is reached"}
	q := measure.Reading{Definition: "from the slope there, by the Cookbook's shelf prototype: dB/octave = 40·log10(2)·(A²−1)/((A−1)²+A/Q²), A = 10^(dB/40)"}
	hz, err := f.crossing(offHz, onHz, off+total/2)
	switch {
	case math.Abs(total) < leastBellDB:
		corner.Reason = fmt.Sprintf("the shelf has less than %g dB", leastBellDB)
		q.Reason = corner.Reason
	case err != nil:
		corner.Reason, q.Reason = err.Error(), "no corner was found"
	default:
		corner.Value = hz
		q.Value, q.Reason = f.shelfQ(hz, total, onHz > offHz)
	}
	r.Add("shelf_gain_db", gain)
	r.Add("shelf_hz", corner)
	r.Add("shelf_q", q)
	return r
}

// shelfQ solves the slope of the Cookbook's shelf at its centre for Q. With A = 10^(dB/40) and
// x = f/f0 the high shelf's power gain is A²·((1−Ax²)² + A x²/Q²)/((A−x²)² + A x²/Q²). The
// slope of its logarithm over ln x at x = 1 is 4(A²−1)/((A−1)²+A/Q²).
func (f *FrequencyResponse) shelfQ(hz, totalDB float64, high bool) (q float64, reason string) {
	a := math.Pow(10, totalDB/40)
	const step = 0.02 // octaves; the third derivative changes the slope by less than 1e-3 of its value
	perOctave := (f.DB(hz*math.Exp2(step)) - f.DB(hz*math.Exp2(-step))) / (2 * step)
	if !high {
		perOctave = -perOctave
	}
	slope := perOctave * math.Ln10 / 10 / math.Ln2 // of ln |H|² over ln f
	m := 4 * (a*a - 1) / slope
	rest := m - (a-1)*(a-1)
	if !(rest > 0) {
		return 0, "steeper than any such shelf"
	}
	return math.Sqrt(a / rest), ""
}
