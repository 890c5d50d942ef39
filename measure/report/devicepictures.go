package report

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/picture"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// fourRoles are for series of equal standing, such as channels and devices.
var fourRoles = [fewInOne]picture.Role{picture.Measured, picture.Second, picture.Third, picture.Fourth}

// pictures are the pictures of a test's curve, without empty ones.
func (t DeviceTest) pictures(name string) []picture.Picture {
	return slices.DeleteFunc(t.allPictures(name), func(p picture.Picture) bool { return !hasValues(p.Panels[0]) })
}

// hasValues reports whether a panel has a measured value. A silent output has none.
func hasValues(q picture.Panel) bool {
	for _, s := range q.Series {
		if s.Role != picture.Declared && slices.ContainsFunc(s.Points, func(p picture.Point) bool { return p.Y-p.Y == 0 }) {
			return true
		}
	}
	return false
}

func (t DeviceTest) allPictures(name string) []picture.Picture {
	if len(t.Table.Columns) == 0 || len(t.Table.Rows) == 0 {
		return nil
	}
	switch s := t.Signal.(type) {
	case stimulus.Swept:
		return []picture.Picture{Response(name, t.Table, t.Readings), Distortion(name+"-distortion", t.Table, t.Readings)}
	case stimulus.Multitone:
		return []picture.Picture{Response(name, t.Table, t.Readings)}
	case stimulus.Tone:
		return []picture.Picture{toneSpectrum(name, s, t.Table, t.Readings)}
	case stimulus.Silence:
		return []picture.Picture{idleSpectrum(name, t.Table, t.Readings, t.idealDBFS())}
	case stimulus.SteppedTone:
		return []picture.Picture{StaticCurve(name, t.Table)}
	}
	return []picture.Picture{Curve(t.Table, upper(inWords(t.Signal)), "")}
}

// perChannel is a column for each channel, from 20 Hz to 20 kHz, at most four.
func perChannel(t measure.Table, name string) (series []picture.Series) {
	for c := range fewInOne {
		label, column := "", slices.Index(t.Columns, name)
		if column < 0 || c > 0 {
			label = fmt.Sprintf("channel %d", c+1)
			column = slices.Index(t.Columns, fmt.Sprintf("%s_ch%d", name, c+1))
		}
		if column < 0 {
			break
		}
		series = append(series, picture.Series{Name: label, Role: fourRoles[c], Points: columnOver(t, column)})
	}
	return series
}

// columnOver is a column against the first one, from 20 Hz to 20 kHz. A missing value
// interrupts the line.
func columnOver(t measure.Table, column int) (points []picture.Point) {
	for _, row := range t.Rows {
		if row[0] >= audible.Min && row[0] <= audible.Max {
			points = append(points, picture.Point{X: row[0], Y: row[column]})
		}
	}
	return points
}

// levels is a y axis for all series, down to at most a range below the largest value.
func levels(name, unit string, rangeDB float64, series []picture.Series) picture.Axis {
	var all [][]picture.Point
	for _, s := range series {
		all = append(all, s.Points)
	}
	y := picture.Around(name, unit, nil, all...)
	y.Min = max(y.Min, y.Max-rangeDB)
	return y
}

// said is a reading for a sentence, of channel 1 where there are several channels.
func said(readings measure.Readings, name string) string {
	r, ok := readings.Get(name)
	if !ok {
		if r, ok = readings.Get(name + "_ch1"); !ok {
			return "not measured"
		}
		return figure(r).Text + " in channel 1"
	}
	return figure(r).Text
}

// Response is gain and group delay against frequency for each channel.
func Response(name string, t measure.Table, readings measure.Readings) picture.Picture {
	gain, delay := perChannel(t, "gain_db"), perChannel(t, "group_delay_ms")
	y := levels("gain", "dB", 60, gain)
	if least := 2.0; y.Max-y.Min < least { // ripple of a thousandth of a dB is no picture
		middle := (y.Max + y.Min) / 2
		y = picture.Around("gain", "dB", []float64{math.Round(middle) - 1, math.Round(middle) + 1})
	}
	p := picture.Picture{Name: name, Title: "Response", Panels: []picture.Panel{
		{X: audible, Y: y, Series: gain, Height: 170}, {X: audible, Y: levels("group delay", "ms", math.Inf(1), delay), Series: delay, Height: 90},
	}}
	p.Caption = minus(fmt.Sprintf("The gain at 1 kHz is %s. From 20 Hz to 20 kHz the response lies between %s and %s relative to that.",
		said(readings, "gain_at_1khz_db"), said(readings, "response_min_db"), said(readings, "response_max_db")))
	return p
}

// Distortion is the level of the harmonics against the frequency of the fundamental, for
// channel 1.
func Distortion(name string, t measure.Table, readings measure.Readings) picture.Picture {
	var series []picture.Series
	for n := 2; n < 2+fewInOne; n++ {
		label := fmt.Sprintf("harmonic %d", n)
		column := slices.IndexFunc(t.Columns, func(c string) bool {
			return c == fmt.Sprintf("harmonic%d_db", n) || c == fmt.Sprintf("harmonic%d_db_ch1", n)
		})
		if column < 0 {
			continue
		}
		if points := columnOver(t, column); slices.ContainsFunc(points, func(p picture.Point) bool { return p.Y-p.Y == 0 }) {
			series = append(series, picture.Series{Name: label, Role: fourRoles[n-2], Points: points})
		}
	}
	if column := slices.IndexFunc(t.Columns, func(c string) bool { return c == "harmonics_noise_db" || c == "harmonics_noise_db_ch1" }); column >= 0 {
		series = append(series, picture.Series{Name: "noise", Role: picture.Declared, Points: columnOver(t, column)})
	}
	p := picture.Picture{Name: name, Title: "Distortion by order", Panels: []picture.Panel{
		{X: picture.Axis{Name: "frequency of the fundamental", Unit: "Hz", Scale: picture.Log, Min: audible.Min, Max: audible.Max}, Y: levels("relative to the fundamental", "dB", 160, series), Series: series, Height: 200},
	}}
	p.Caption = minus(fmt.Sprintf("Relative to the fundamental, at 1 kHz: second harmonic %s; third harmonic %s. Harmonics are drawn only where they exceed the noise.",
		said(readings, "harmonic2_at_1khz_db"), said(readings, "harmonic3_at_1khz_db")))
	return p
}

// noiseBandwidth is the bandwidth in Hz in which a spectrum reads noise.
func noiseBandwidth(t measure.Table) float64 {
	if i := slices.Index(t.Columns, "noise_bandwidth_hz"); i > 0 && len(t.Rows) > 0 {
		return t.Rows[0][i]
	}
	return 0
}

// toneSpectrum is the spectrum of a tone in channel 1, with a dot on each harmonic.
func toneSpectrum(name string, tone stimulus.Tone, t measure.Table, readings measure.Readings) picture.Picture {
	line := picture.Series{Kind: picture.Stems, Points: columnOver(t, 1)}
	harmonics := picture.Series{Name: "harmonics 2 to 5", Role: picture.Second, Kind: picture.Dots}
	for n := 2.0; n <= 5; n++ {
		top := picture.Point{X: n * tone.Hz, Y: math.Inf(-1)}
		for _, p := range line.Points { // a line is some bins wide
			if math.Abs(p.X-top.X) < 3*noiseBandwidth(t) {
				top.Y = max(top.Y, p.Y)
			}
		}
		harmonics.Points = append(harmonics.Points, top)
	}
	y := levels(fmt.Sprintf("level, noise in %.3g Hz", noiseBandwidth(t)), "dBFS", 180, []picture.Series{line})
	series := []picture.Series{line}
	if slices.ContainsFunc(harmonics.Points, func(p picture.Point) bool { return p.Y >= y.Min }) {
		series = append(series, harmonics)
	}
	panel := picture.Panel{X: audible, Y: y, Series: series, Height: 200}
	return picture.Picture{Name: name, Title: fmt.Sprintf("Spectrum of a tone of %g Hz", tone.Hz), Panels: []picture.Panel{panel},
		Caption: minus(fmt.Sprintf("Total harmonic distortion is %s, with noise %s.", said(readings, "thd_total_db"), said(readings, "thd_plus_noise_db")))}
}

// idleSpectrum is the spectrum of idle noise for each channel, and the level of ideal
// rounding in dBFS (−Inf: not known).
func idleSpectrum(name string, t measure.Table, readings measure.Readings, idealDBFS float64) picture.Picture {
	series := perChannel(t, "level_dbfs")
	if idealDBFS > -300 {
		series = append(series, picture.Series{Name: "ideal rounding with dither", Role: picture.Declared, Points: []picture.Point{{X: audible.Min, Y: idealDBFS}, {X: audible.Max, Y: idealDBFS}}})
	}
	return picture.Picture{Name: name, Title: "Idle noise", Caption: minus(fmt.Sprintf("A-weighted, the idle noise is %s.", said(readings, "idle_noise_a_dbfs"))), Panels: []picture.Panel{
		{X: audible, Y: levels(fmt.Sprintf("level in %.3g Hz", noiseBandwidth(t)), "dBFS", 200, series), Series: series, Height: 180},
	}}
}

// idealDBFS is the level that rounding to the recording's bits with TPDF dither has in
// the spectrum: a variance of a quarter of a step's square (Lipshitz, Wannamaker,
// Vanderkooy, "Quantization and Dither: A Theoretical Survey", JAES 40(5), 1992), spread
// evenly up to half the rate; a full-scale sine is 0 dBFS.
func (t DeviceTest) idealDBFS() float64 {
	if t.Recording == "" || !strings.Contains(t.Format.String(), "integer") {
		return math.Inf(-1)
	}
	step := math.Exp2(float64(1 - t.Format.Bits))
	return 10 * math.Log10(step*step/4*2*noiseBandwidth(t.Table)/(float64(t.Rate)/2))
}

// StaticCurve is output level against input level in dBFS, for channel 1.
func StaticCurve(name string, t measure.Table) picture.Picture {
	line := picture.Series{Name: "measured", Kind: picture.Dots}
	var out []float64
	for _, row := range t.Rows {
		line.Points = append(line.Points, picture.Point{X: row[0], Y: row[1]})
		out = append(out, row[1])
	}
	if len(out) == 0 {
		return picture.Picture{Name: name, Title: "Static curve", Caption: "There is no curve."}
	}
	x, y := equalAxes(line.Points)
	return picture.Picture{Name: name, Title: "Static curve", Panels: []picture.Panel{{X: x, Y: y, Equal: true, Height: 280, Series: []picture.Series{unchanged(x), line}}},
		Caption: minus(fmt.Sprintf("An input of %.1f dBFS gives an output of %.1f dBFS; one of %.1f dBFS gives %.1f dBFS.", line.Points[0].X, out[0], line.Points[len(out)-1].X, out[len(out)-1]))}
}

// equalAxes are axes with one scale for input and output.
func equalAxes(points []picture.Point) (x, y picture.Axis) {
	x = picture.Around("input", "dBFS", nil, swapped(points), points)
	x.Min = max(x.Min, x.Max-150) // a silent output is at −Inf dBFS
	y = x
	y.Name = "output"
	return x, y
}

// unchanged is the line where the output equals the input.
func unchanged(x picture.Axis) picture.Series {
	return picture.Series{Name: "output = input", Role: picture.Third, Points: []picture.Point{{X: x.Min, Y: x.Min}, {X: x.Max, Y: x.Max}}}
}
