package report

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/picture"
	"github.com/boothbench/boothbench/measure/take"
)

// Each function makes the description of one picture of a take from data.

// timeAxis spans the sound, in seconds.
func timeAxis(frames int64, rate int) picture.Axis {
	return picture.Axis{Name: "time", Scale: picture.Time, Max: float64(frames) / float64(rate)}
}

var audible = picture.Axis{Name: "frequency", Unit: "Hz", Scale: picture.Log, Min: 20, Max: 20000}

// envelope is a waveform drawn as the area between its smallest and largest samples.
func envelope(name string, role picture.Role, e *measure.Envelope, rate int, from float64) picture.Series {
	s := picture.Series{Name: name, Role: role, Kind: picture.Envelope}
	low, high, frames := e.Columns()
	for i := range low {
		at := from + (float64(int64(i)*frames)+float64(frames)/2)/float64(rate)
		s.Points = append(s.Points, picture.Point{X: at, Y: high[i]})
		s.Lower = append(s.Lower, picture.Point{X: at, Y: low[i]})
	}
	return s
}

// waveAxis spans ±full scale, or more where a waveform exceeds it.
func waveAxis(series ...picture.Series) picture.Axis {
	most := 1.0
	for _, s := range series {
		for i := range s.Points {
			most = max(most, math.Abs(s.Points[i].Y), math.Abs(s.Lower[i].Y))
		}
	}
	return picture.Axis{Name: "sample", Unit: "of full scale", Min: -most, Max: most}
}

// Wave is the waveform of a take with its pauses and events.
func Wave(e *measure.Envelope, rate int, frames int64, in *take.Inspection) picture.Picture {
	s := envelope("take", picture.Measured, e, rate, 0)
	panel := picture.Panel{X: timeAxis(frames, rate), Y: waveAxis(s), Series: []picture.Series{s}, Height: 160}
	if len(in.Pauses) > 0 {
		for _, p := range in.Pauses[0].Stretches {
			panel.Spans = append(panel.Spans, picture.Span{Name: "pause in which the noise floor is measured", From: float64(p[0]) / float64(rate), To: float64(p[1]) / float64(rate)})
		}
	}
	counts := map[string]int{}
	for _, e := range in.Events {
		if counts[e.Kind]++; e.Kind != "sibilant" && len(panel.Marks) < 40 {
			panel.Marks = append(panel.Marks, picture.Mark{Name: e.Kind, At: float64(e.Frame) / float64(rate), Vertical: true})
		}
	}
	floor, _ := in.Readings.Get("noise_floor_dbfs")
	pauses, _ := in.Readings.Get("pauses_ms")
	says := fmt.Sprintf("The noise floor is %s, from %.2f s of pauses.", floor, pauses.Value/1000)
	if !floor.Measurable() {
		says = fmt.Sprintf("The noise floor: %s.", floor)
	}
	if n := counts["clip"] + counts["flat top"]; n > 0 {
		says += fmt.Sprintf(" Clips and flat tops: %d.", n)
	}
	return picture.Picture{Name: "take", Title: "The take", Caption: picture.Minus(says), Panels: []picture.Panel{panel}}
}

// Gains is the waveforms before and after, and below them the gain of each stage.
func Gains(before, after *measure.Envelope, rate int, frames int64, stages []chain.StageGains) picture.Picture {
	x := timeAxis(frames, rate)
	waves := []picture.Series{envelope("take", picture.Measured, before, rate, 0), envelope("processed", picture.Second, after, rate, 0)}
	if _, high, _ := after.Columns(); largest(high) > largestOf(before) { // the smaller one lies on top
		slices.Reverse(waves)
	}
	p := picture.Picture{Name: "gains", Title: "Gain of the stages", Panels: []picture.Panel{{X: x, Y: waveAxis(waves...), Series: waves, Height: 130}}}
	worst, most := "", 0.0
	var idle []string
	for _, s := range stages {
		if s.Reduction.LargestDB < idleDB {
			idle = append(idle, s.Name)
			continue
		}
		line := picture.Series{}
		for i := range s.LowestDB[0] {
			lowest := 0.0
			for c := range s.LowestDB {
				if v := s.LowestDB[c][i]; c == 0 || v < lowest {
					lowest = v
				}
			}
			line.Points = append(line.Points, picture.Point{X: (float64(i) + 0.5) * float64(s.ColumnFrames) / float64(rate), Y: lowest})
		}
		y := picture.Around("gain of "+s.Name, "dB", []float64{0, -3}, line.Points)
		p.Panels = append(p.Panels, picture.Panel{X: x, Y: roomy(y), Series: []picture.Series{line}, Height: 80})
		if s.Reduction.LargestDB > most {
			worst, most = s.Name, s.Reduction.LargestDB
		}
	}
	p.Caption = "No stage reduced the level."
	if most > 0 {
		p.Caption = fmt.Sprintf("The %s reduced the level most, by %.1f dB at the largest.", worst, most)
		if idle != nil {
			p.Caption += fmt.Sprintf(" Less than %g dB, and not drawn: %s.", idleDB, strings.Join(idle, ", "))
		}
	}
	return p
}

// roomy widens an axis so that the frame does not hide a line at its ends.
func roomy(y picture.Axis) picture.Axis {
	room := float64(0.06 * (y.Max - y.Min))
	y.Min, y.Max = y.Min-room, y.Max+room
	return y
}

// idleDB is the reduction in dB below which a stage is not drawn.
const idleDB = 0.05

func largest(x []float64) (most float64) {
	for _, v := range x {
		most = max(most, math.Abs(v))
	}
	return most
}

func largestOf(e *measure.Envelope) float64 {
	low, high, _ := e.Columns()
	return max(largest(low), largest(high))
}

// Loudness is the loudness over time with its limits: momentary and short-term as lines, or,
// above five minutes, short-term alone as the area between its smallest and largest values.
func Loudness(table measure.Table, readings measure.Readings, target *measure.Limit) picture.Picture {
	var momentary, short []picture.Point
	for _, row := range table.Rows {
		momentary = append(momentary, picture.Point{X: row[1], Y: row[2]})
		short = append(short, picture.Point{X: row[1], Y: row[3]})
	}
	end := 1.0
	if n := len(table.Rows); n > 0 {
		end = table.Rows[n-1][1]
	}
	integrated, _ := readings.Get("integrated_lufs")
	y := picture.Axis{Name: "loudness", Unit: "LUFS", Min: -50, Max: -5}
	if integrated.Measurable() {
		y.Min, y.Max = math.Floor(integrated.Value/5)*5-25, math.Ceil(integrated.Value/5)*5+15
	}
	panel := picture.Panel{X: picture.Axis{Name: "time", Scale: picture.Time, Max: end}, Y: y, Height: 190}
	if end <= 300 {
		panel.Series = []picture.Series{{Name: "momentary, 400 ms", Role: picture.Second, Points: momentary}, {Name: "short-term, 3 s", Points: short}}
	} else {
		panel.Series = []picture.Series{{Name: "short-term, 3 s, smallest to largest", Kind: picture.Envelope, Points: short, Lower: short}}
	}
	says := fmt.Sprintf("Integrated loudness is %s", integrated)
	if target != nil {
		low, high := y.Min, y.Max
		if target.Min != nil {
			low = *target.Min
		}
		if target.Max != nil {
			high = *target.Max
		}
		panel.Bands = []picture.Band{{Name: "limit of the integrated loudness", Upper: []picture.Point{{X: 0, Y: high}, {X: end, Y: high}}, Lower: []picture.Point{{X: 0, Y: low}, {X: end, Y: low}}}}
		says += fmt.Sprintf("; the limit is %s LUFS", target.String())
	}
	if m, ok := readings.Get("momentary_max_lufs"); ok && m.Measurable() {
		says += fmt.Sprintf(". The largest momentary loudness is %s", m)
	}
	return picture.Picture{Name: "loudness", Title: "Loudness over time", Caption: picture.Minus(says) + ".", Panels: []picture.Panel{panel}}
}

// Around is the waveform from one second before a place to one second after it. A place that
// has a duration is shaded.
func Around(name, title, says string, after *measure.Envelope, rate int, from, at, seconds float64) picture.Picture {
	s := envelope("processed", picture.Second, after, rate, from)
	low, _, frames := after.Columns()
	end := from + float64(int64(len(low))*frames)/float64(rate)
	panel := picture.Panel{X: picture.Axis{Name: "time", Scale: picture.Time, Min: from, Max: end}, Y: waveAxis(s), Height: 110, Series: []picture.Series{s}}
	if seconds > 0 {
		panel.Spans = []picture.Span{{Name: "the place", From: at, To: at + seconds}}
	} else {
		panel.Marks = []picture.Mark{{At: at, Vertical: true}}
	}
	return picture.Picture{Name: name, Title: title, Caption: says, Panels: []picture.Panel{panel}}
}

// BetweenSamples is the interpolated waveform between samples, which can exceed a ceiling
// where no sample does.
func BetweenSamples(name, title, says string, s measure.Stretch, ceilingDBTP float64) picture.Picture {
	ms := 1000 / float64(s.Rate)
	dots := picture.Series{Name: "samples", Kind: picture.Samples}
	line := picture.Series{Name: "the waveform between them", Role: picture.Second}
	for i, v := range s.Samples {
		dots.Points = append(dots.Points, picture.Point{X: float64(i) * ms, Y: v})
	}
	for i, v := range s.Between {
		line.Points = append(line.Points, picture.Point{X: float64(i) / float64(s.PerFrame) * ms, Y: v})
	}
	y := picture.Around("sample", "of full scale", []float64{0}, line.Points)
	ceiling := math.Pow(10, ceilingDBTP/20)
	var marks []picture.Mark
	for _, at := range []float64{ceiling, -ceiling} {
		if at > y.Min && at < y.Max {
			marks = append(marks, picture.Mark{Name: picture.Minus(fmt.Sprintf("%g dBTP", ceilingDBTP)), At: at})
		}
	}
	return picture.Picture{Name: name, Title: title, Caption: says, Panels: []picture.Panel{{
		X: picture.Axis{Name: "from " + measure.TimeCode(s.Frame, s.Rate), Unit: "ms", Max: float64(len(s.Samples)-1) * ms}, Y: y, Height: 170,
		Series: []picture.Series{line, dots}, Marks: marks,
	}}}
}

// Bands is the level of both versions in third octaves, and below it the change.
func Bands(before, after []measure.BandLevel) picture.Picture {
	was := picture.Series{Name: "take"}
	is := picture.Series{Name: "processed", Role: picture.Second}
	bars := picture.Series{Kind: picture.Bars}
	wide := audible // the first and the last bar are as wide as the others
	wide.Min, wide.Max = wide.Min*0.88, wide.Max*1.14
	worst := picture.Point{}
	for i := range min(len(before), len(after)) {
		p := picture.Point{X: float64(after[i].Hz), Y: after[i].DBFS - before[i].DBFS}
		if p.X < audible.Min || p.X > audible.Max || p.Y-p.Y != 0 {
			continue
		}
		was.Points = append(was.Points, picture.Point{X: p.X, Y: before[i].DBFS})
		is.Points = append(is.Points, picture.Point{X: p.X, Y: after[i].DBFS})
		bars.Points = append(bars.Points, p)
		if math.Abs(p.Y) > math.Abs(worst.Y) {
			worst = p
		}
	}
	says := "Nothing changed."
	if worst.Y != 0 {
		change := measure.Reading{Value: worst.Y, Unit: "dB"}
		says = fmt.Sprintf("The largest change is %s, in the third octave at %g Hz.", change, worst.X)
	}
	levels := picture.Around("level in a third octave", "dBFS", nil, was.Points, is.Points)
	levels.Min = max(levels.Min, levels.Max-100) // digital silence would compress the scale
	return picture.Picture{Name: "bands", Title: "What changed, by third octave", Caption: picture.Minus(says), Panels: []picture.Panel{
		{X: wide, Y: levels, Series: []picture.Series{is, was}, Height: 150},
		{X: wide, Y: picture.Around("processed minus take", "dB", []float64{0}, bars.Points), Series: []picture.Series{bars}, Height: 120},
	}}
}

// Residual is the difference of two versions in third octaves after alignment in time and
// level, from a table of package compare.
func Residual(t measure.Table, says string) picture.Picture {
	column := func(name string) (points []picture.Point) {
		at := slices.Index(t.Columns, name)
		for _, row := range t.Rows {
			if row[0] >= audible.Min && row[0] <= audible.Max {
				points = append(points, picture.Point{X: row[0], Y: max(row[at], -300)}) // −300: exactly nothing
			}
		}
		return points
	}
	take := picture.Series{Name: "take", Points: column("a_dbfs")}
	rest := picture.Series{Name: "difference", Role: picture.Second, Points: column("difference_dbfs")}
	y := picture.Around("level in a third octave", "dBFS", nil, take.Points, rest.Points)
	y.Min = max(y.Min, y.Max-160)
	return picture.Picture{Name: "difference", Title: "Difference of the two after alignment in time and level", Caption: minus(says),
		Panels: []picture.Panel{{X: audible, Y: y, Series: []picture.Series{rest, take}, Height: 170}}}
}

// Noise is the spectrum of the noise in a take's pauses.
func Noise(in *take.Inspection) (picture.Picture, bool) {
	if len(in.Pauses) == 0 {
		return picture.Picture{}, false
	}
	p := in.Pauses[0]
	line := picture.Series{Points: spectrum(p.Noise)}
	floor, _ := in.Readings.Get("noise_floor_a_dbfs")
	says := fmt.Sprintf("A-weighted, the noise floor is %s.", floor)
	panel := picture.Panel{
		X: audible, Y: picture.Around(fmt.Sprintf("level in %.3g Hz", p.Noise.Rows[0][2]), "dBFS", nil, line.Points), Series: []picture.Series{line}, Height: 170,
	}
	if hum, ok := in.Readings.Get("hum_hz"); ok && hum.Measurable() {
		level, _ := in.Readings.Get("hum_level_dbfs")
		says += fmt.Sprintf(" Hum of %s at %s.", hum, level)
		panel.Marks = []picture.Mark{{Name: "hum", At: hum.Value, Vertical: true}}
	} else {
		says += " No mains hum was found."
	}
	return picture.Picture{Name: "noise", Title: "Noise in the pauses", Caption: picture.Minus(says), Panels: []picture.Panel{panel}}, true
}

// spectrum is a table's frequencies and levels from 20 Hz to 20 kHz.
func spectrum(t measure.Table) (points []picture.Point) {
	for _, row := range t.Rows {
		if row[0] >= audible.Min*0.7 && row[0] <= audible.Max {
			points = append(points, picture.Point{X: row[0], Y: row[1]})
		}
	}
	return points
}
