package report

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/picture"
	"github.com/boothbench/boothbench/measure/proof"
)

// Declared is the measured and the declared curve, and below them their difference, which is
// too small to be seen between the curves.
func Declared(name string, c proof.Curve) picture.Picture {
	if len(c.Columns) < 3 {
		return picture.Picture{Name: name, Caption: "There is no curve."}
	}
	static := c.Columns[0] == "in_dbfs"
	declared := picture.Series{Name: "declared", Role: picture.Declared}
	measured := picture.Series{Name: "measured"}
	rest := picture.Series{}
	last := math.Inf(-1)
	for i, row := range c.Rows {
		x, got, want := row[0], row[1], row[2]
		if !static && (x < audible.Min || x > audible.Max) {
			continue
		}
		y, z := got, want
		if static {
			y, z = x+got, x+want
		}
		declared.Points = append(declared.Points, picture.Point{X: x, Y: z})
		rest.Points = append(rest.Points, picture.Point{X: x, Y: got - want})
		// Dots on the dashed line: both can be seen where they coincide.
		if gap := 1.25; static && x-last >= 1.5 || !static && x >= last*gap || i == len(c.Rows)-1 {
			measured.Points = append(measured.Points, picture.Point{X: x, Y: y})
			last = x
		}
	}
	measured.Kind = picture.Dots
	x, title := audible, "Response of "+c.Stage
	y := picture.Around("gain", "dB", []float64{0}, declared.Points)
	y.Min = max(y.Min, -60)
	y = roomy(y)
	height := 170
	series := []picture.Series{declared, measured}
	if static { // equal axes: output equals input on the diagonal
		x, y = equalAxes(declared.Points)
		title, height = "Static curve of "+c.Stage, 280
		series = slices.Insert(series, 0, unchanged(x))
	}
	off := picture.Around("measured minus declared", "dB", []float64{-c.WithinDB * 1.2, c.WithinDB * 1.2}, rest.Points)
	return picture.Picture{Name: name, Title: title,
		Caption: picture.Minus(fmt.Sprintf("Measured and declared curves differ by at most %s; the tolerance is %g dB. Test signal: %s.", c.Deviation, math.Round(c.WithinDB*1e4)/1e4, c.Condition)),
		Panels: []picture.Panel{
			{X: x, Y: y, Series: series, Height: height, Equal: static},
			{X: x, Y: off, Series: []picture.Series{rest}, Height: 90, Bands: []picture.Band{{Name: "tolerance",
				Upper: []picture.Point{{X: x.Min, Y: c.WithinDB}, {X: x.Max, Y: c.WithinDB}}, Lower: []picture.Point{{X: x.Min, Y: -c.WithinDB}, {X: x.Max, Y: -c.WithinDB}}}}},
		}}
}

func swapped(points []picture.Point) []picture.Point {
	out := make([]picture.Point, len(points))
	for i, p := range points {
		out[i] = picture.Point{X: p.Y, Y: p.X}
	}
	return out
}

// Curve draws the first two columns of an instrument's table. A table with fewer gives a
// picture without panels.
func Curve(t measure.Table, title, says string) picture.Picture {
	p := picture.Picture{Name: "curve", Title: title, Caption: minus(says)}
	if len(t.Columns) < 2 {
		return p
	}
	xName, xUnit := axisName(t.Columns[0])
	yName, yUnit := axisName(t.Columns[1])
	line := picture.Series{}
	logarithmic := t.Columns[0] == "frequency_hz"
	for _, row := range t.Rows {
		if logarithmic && (row[0] < audible.Min || row[0] > audible.Max) {
			continue
		}
		line.Points = append(line.Points, picture.Point{X: row[0], Y: row[1]})
	}
	x := audible
	if !logarithmic {
		x = picture.Around(xName, xUnit, nil, swapped(line.Points))
	}
	y := picture.Around(yName, yUnit, nil, line.Points)
	y.Min = max(y.Min, y.Max-180) // a level of exactly 0 is −Inf dB
	if noise := slices.Index(t.Columns, "noise_bandwidth_hz"); noise > 0 && len(t.Rows) > 0 {
		line.Kind = picture.Stems
		y.Name = fmt.Sprintf("level, noise in %.3g Hz", t.Rows[0][noise])
	}
	p.Panels = []picture.Panel{{X: x, Y: y, Series: []picture.Series{line}}}
	return p
}

// axisName splits a column's name into name and unit: "frequency_hz" is a frequency in Hz.
func axisName(column string) (name, unit string) {
	for _, u := range [][2]string{{"_hz", "Hz"}, {"_dbfs", "dBFS"}, {"_db", "dB"}, {"_ms", "ms"}, {"_deg", "deg"}, {"_s", "s"}} {
		column, _, _ := strings.Cut(column, "_ch")
		if rest, ok := strings.CutSuffix(column, u[0]); ok {
			return strings.ReplaceAll(rest, "_", " "), u[1]
		}
	}
	return strings.ReplaceAll(column, "_", " "), ""
}
