package instrument

import (
	"fmt"
	"math"
	"math/cmplx"
	"strings"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// StaticCurve measures the output level at each input level, after a device has settled:
// threshold, ratio, knee, make-up gain and range of a level-dependent stage. Levels are peaks
// of a sine in dBFS: the threshold of an rms detector is 3.01 dB lower on the rms scale.
type StaticCurve struct {
	Tone     stimulus.SteppedTone
	DriveDB  float64                      // a gain ahead of the device (see Driven); the stated levels include it
	Declared func(inDBFS float64) float64 // the gain in dB to compare with, for rising levels; nil: none
}

// Stimulus is the stepped tone.
func (s StaticCurve) Stimulus() stimulus.Signal { return s.Tone }

// CurvePoint is one step: the input and output levels, and by how many dB the output still
// changed while it was measured.
type CurvePoint struct {
	InDBFS, OutDBFS, UnsettledDB float64

	movedDB float64 // UnsettledDB with its sign
}

// GainDB is the device's gain.
func (p CurvePoint) GainDB() float64 { return p.OutDBFS - p.InDBFS }

// settledDB is the largest change of a settled level from one part of a step to the next.
const settledDB = 0.01

// Points are the steps of one channel, for rising levels and, if the tone comes back, for
// falling levels. Both are in the order of their levels from the lowest.
func (s StaticCurve) Points(rate int, x []float64) (up, down []CurvePoint, err error) {
	levels := s.Tone.Levels()
	_, end := s.Tone.Step(len(levels)-1, rate)
	if len(x) < end {
		return nil, nil, fmt.Errorf("the response has %d frames; %d are needed", len(x), end)
	}
	points := make([]CurvePoint, len(levels))
	for i, level := range levels {
		from, to := s.Tone.Step(i, rate)
		// The third and the fourth fifth are measured: the device has then settled, and its
		// delay may shift the last.
		fifth := (to - from) / 5
		before := toneLevel(x[from+2*fifth:from+3*fifth], s.Tone.Hz, rate)
		after := toneLevel(x[from+3*fifth:from+4*fifth], s.Tone.Hz, rate)
		points[i] = CurvePoint{level + s.DriveDB, after, math.Abs(after - before), after - before}
	}
	half := len(points)
	if s.Tone.Back {
		half /= 2
	}
	up, down = points[:half], points[half:]
	if s.Tone.ToDBFS < s.Tone.FromDBFS { // the levels fall first
		up, down = reversed(down), reversed(up)
		if !s.Tone.Back {
			up, down = down, nil
		}
		return up, down, nil
	}
	return up, reversed(down), nil
}

func reversed(p []CurvePoint) []CurvePoint {
	all := make([]CurvePoint, len(p))
	for i, v := range p {
		all[len(p)-1-i] = v
	}
	return all
}

// toneLevel is the peak level in dBFS of a tone, weighted by a Hann window. The window's low side
// lobes suppress the tone's component at −f.
func toneLevel(x []float64, hz float64, rate int) float64 {
	tone, toneStep := complex(1, 0), cmplx.Rect(1, -2*math.Pi*math.Mod(hz/float64(rate), 1))
	hann, hannStep := complex(1, 0), cmplx.Rect(1, 2*math.Pi/float64(len(x)))
	var sum complex128
	weight := 0.0
	for n, v := range x {
		if n%exactPhaseFrames == 0 {
			tone = cmplx.Rect(1, -2*math.Pi*math.Mod(hz*float64(n)/float64(rate), 1))
			hann = cmplx.Rect(1, 2*math.Pi*(float64(n)+0.5)/float64(len(x)))
		}
		w := 1 - real(hann)
		sum += complex(w*v*real(tone), w*v*imag(tone))
		weight += w
		tone *= toneStep
		hann *= hannStep
	}
	return dsp.AmplitudeToDB(2 * cmplx.Abs(sum) / weight)
}

// Analyse reads plateau_gain_db. A stage that attenuates loud sound has
// compression_threshold_dbfs, compression_ratio, compression_slope (its inverse) and
// compression_knee_db. One that attenuates quiet sound has expansion_threshold_dbfs,
// expansion_ratio, expansion_knee_db, expansion_range_db and, if the tone comes back,
// hysteresis_db. curve_error_db is the largest distance of a point from the fit;
// unsettled_steps counts steps; with a declared curve there is curve_deviation_db.
func (s StaticCurve) Analyse(rate int, response Response) (measure.Readings, error) {
	return eachReadings(response, func(plane []float64) (measure.Readings, error) {
		up, down, err := s.Points(rate, plane)
		if err != nil {
			return nil, err
		}
		if n := planes.FirstNonFinite(dsp.Block{plane}); n >= 0 {
			return nil, fmt.Errorf("NaN or infinite sample at frame %d", n)
		}
		return s.readings(up, down), nil
	})
}

func (s StaticCurve) readings(up, down []CurvePoint) measure.Readings {
	const method = "stepped tone, levels settled, least squares; quadratic knee (Giannoulis, Massberg, Reiss, JAES 60(6) 2012)"
	var r measure.Readings
	curve := fitCurve(up)
	r.Add("plateau_gain_db", measure.Reading{Value: curve.plateauDB, Reason: curve.reason, Unit: "dB", Definition: "largest gain of the curve; make-up of a compressor"})
	scale := "peak level of a sine; rms is 3.01 dB less"
	for _, part := range []struct {
		name string
		side *curveSide
	}{{"compression", curve.compression}, {"expansion", curve.expansion}} {
		about := measure.Reading{Reason: curve.reason, Definition: method}
		b, open := part.side, sideBounds{}
		if b == nil {
			b = &curveSide{}
			if about.Reason == "" {
				about.Reason = fmt.Sprintf("no %s from %.1f to %.1f dBFS", part.name, up[0].InDBFS, up[len(up)-1].InDBFS)
			}
		} else if b.errorDB > mostCurveErrorDB && about.Reason == "" {
			about.Reason = fmt.Sprintf("undecided: no threshold, ratio and knee fit the steps: the nearest is off by %.2g dB", b.errorDB)
		} else {
			open = curve.sideProfile(up, part.name == "expansion").bounds()
		}
		ofRange := curve.reason // the range does not depend on the shape
		if ofRange == "" && part.side == nil {
			ofRange = about.Reason
		}
		ratio, slope := b.slope+1, about
		ratioOff, slopeOff := open.slope.off(b.slope), open.slope.off(b.slope)
		if part.name == "compression" {
			slope.Value, slope.Unit, slope.Reference = 1-b.slope, "dB/dB", "dB out per dB in above the threshold"
			ratio = 1 / (1 - b.slope)
			ratioOff = span{1 / (1 - open.slope.low), 1 / (1 - open.slope.high)}.off(ratio)
		}
		about.Value, about.Unit, about.Reference = b.thresholdDBFS, "dBFS", scale
		r.Add(part.name+"_threshold_dbfs", withSteps(about, open.thresholdDBFS.off(b.thresholdDBFS)))
		about.Value, about.Unit, about.Reference = ratio, "to 1", ""
		if about.Reason == "" && b.slope > 0.998 && part.name == "compression" {
			about.Reason = "the level does not rise above the threshold: a limiter; see compression_slope"
		} else if about.Reason == "" && open.slope.high >= 1 && part.name == "compression" {
			about.Reason = "a limiter fits the steps as well; see compression_slope"
		}
		r.Add(part.name+"_ratio", withSteps(about, ratioOff))
		if part.name == "compression" {
			r.Add("compression_slope", withSteps(slope, slopeOff))
		}
		about.Reason, about.Value, about.Unit = slope.Reason, b.kneeDB, "dB"
		r.Add(part.name+"_knee_db", open.knee(about))
		if part.name == "expansion" {
			about.Value, about.Reason = b.rangeDB, ofRange
			about.Definition = "plateau gain less the gain of the lowest levels, where it no longer falls"
			if about.Reason == "" && b.rangeDB == 0 {
				about.Reason = fmt.Sprintf("the gain still falls at %.1f dBFS", up[0].InDBFS)
			}
			r.Add("expansion_range_db", withSteps(about, b.flatDB))
			r.Add("hysteresis_db", hysteresis(curve, up, down))
		}
	}
	r.Add("curve_error_db", measure.Reading{Value: curve.errorDB, Reason: curve.reason, Unit: "dB", Reference: "the fitted curve", Definition: "largest distance of a step from it"})
	r.Add("unsettled_steps", unsettled(up))
	if s.Declared != nil {
		r.Add("curve_deviation_db", s.deviation(up))
	}
	return r
}

// mostCurveErrorDB is the largest distance of a step from the fitted curve. A curve that is
// stated to a tenth of a dB does not describe a device that departs from it by half a dB: a
// gate that opens at once, or two thresholds.
const mostCurveErrorDB = 0.5

// leastOpen is the least uncertainty, in the reading's unit, that is stated.
const leastOpen = 0.001

// withSteps adds to a reading its uncertainty from the steps of the curve.
func withSteps(r measure.Reading, off float64) measure.Reading {
	switch {
	case !r.Measurable():
	case math.IsInf(off, 0) || math.IsNaN(off):
		r.Value, r.Reason = 0, "the steps of the level leave it open; give more of them where the gain falls"
	case off >= leastOpen:
		r.AddBound(strings.TrimSuffix(fmt.Sprintf("±%.2g %s", off, r.Unit), " to 1") + ", 95 % of what the steps of the level and their noise leave open")
	}
	return r
}

// knee adds to the reading of a knee its uncertainty from the steps. If a corner fits as well,
// the reading is the widest knee that fits, an upper bound.
func (b sideBounds) knee(r measure.Reading) measure.Reading {
	switch {
	case !r.Measurable():
	case b.openAbove:
		r.Value, r.Reason = 0, fmt.Sprintf("the steps allow any knee from %.1f dB on: too few lie past it; give levels farther from the threshold", b.kneeDB.low)
	case b.kneeDB.low <= noKneeDB && b.kneeDB.high > noKneeDB:
		r.Value = b.kneeDB.high
		r.AddBound("a corner fits the steps as well: an upper bound; smaller steps of the level decide")
	default:
		r = withSteps(r, b.kneeDB.off(r.Value))
	}
	return r
}

// unsettled counts the steps whose level still changed.
func unsettled(points []CurvePoint) measure.Reading {
	r := measure.Reading{Definition: fmt.Sprintf("steps whose level changed by more than %g dB from one fifth of a step to the next; give longer steps", settledDB)}
	for _, p := range points {
		if !(p.UnsettledDB <= settledDB) {
			r.Value++
		}
	}
	return r
}

// deviation is the largest distance from the declared curve.
func (s StaticCurve) deviation(points []CurvePoint) measure.Reading {
	r := measure.Reading{Unit: "dB", Reference: "the declared curve"}
	at := 0.0
	for _, p := range points {
		if d := math.Abs(p.GainDB() - s.Declared(p.InDBFS)); !(d <= r.Value) {
			r.Value, at = d, p.InDBFS
		}
	}
	if math.IsNaN(r.Value) || math.IsInf(r.Value, 0) {
		r.Reason = fmt.Sprintf("the output is 0 at %.1f dBFS", at)
	}
	r.Definition = fmt.Sprintf("largest distance of a step from it, found at %.1f dBFS", at)
	return r
}

// hysteresis is by how much the level at which the gain begins to fall, on the way down, is
// below the level at which it reaches the plateau on the way up.
func hysteresis(c curveFit, up, down []CurvePoint) measure.Reading {
	r := measure.Reading{Unit: "dB", Definition: "level at which the gain leaves the plateau on the way down, below that at which it reaches it on the way up; to one step"}
	switch {
	case c.reason != "":
		r.Reason = c.reason
	case c.expansion == nil:
		r.Reason = "no expansion"
	case len(down) == 0:
		r.Reason = "the tone has no falling levels"
	default:
		r.Value = plateauBegins(c, up) - plateauBegins(c, down)
		if len(up) > 1 {
			r.Bound = fmt.Sprintf("±%.2g dB, one step of the tone", math.Abs(up[1].InDBFS-up[0].InDBFS))
		}
	}
	return r
}

// plateauBegins is the lowest level on the plateau.
func plateauBegins(c curveFit, points []CurvePoint) float64 {
	for _, p := range points {
		if p.GainDB() > c.plateauDB-5*settledDB {
			return p.InDBFS
		}
	}
	return points[len(points)-1].InDBFS
}

// Table is the curve for rising levels: input and output level and gain of each channel.
func (s StaticCurve) Table(rate int, response Response) (measure.Table, error) {
	t := measure.Table{Columns: []string{"in_dbfs"}}
	err := eachPlane(response, func(c int, plane []float64) error {
		up, _, err := s.Points(rate, plane)
		if err != nil {
			return err
		}
		t.Columns = append(t.Columns, ofChannel(measure.Readings{{Name: "out_dbfs"}}, c, response.Channels())[0].Name, ofChannel(measure.Readings{{Name: "gain_db"}}, c, response.Channels())[0].Name)
		for i, p := range up {
			if c == 0 {
				t.Rows = append(t.Rows, []float64{p.InDBFS})
			}
			t.Rows[i] = append(t.Rows[i], p.OutDBFS, p.GainDB())
		}
		return nil
	})
	return t, err
}
