package picture

import (
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// outside lists the texts of a picture that may extend beyond it, by the largest width of
// their characters.
func outside(t fataler, text string, width int) (all []string) {
	d := xml.NewDecoder(strings.NewReader(text))
	var shift []float64 // of the groups around, in x
	class, size := "", 12.0
	var x, y, height float64
	inText := false
	for {
		token, err := d.Token()
		if err == io.EOF {
			return all
		}
		if err != nil {
			t.Fatalf("not well-formed XML: %v", err)
		}
		switch e := token.(type) {
		case xml.StartElement:
			inText = e.Name.Local == "text"
			for _, a := range e.Attr {
				v, _ := strconv.ParseFloat(a.Value, 64)
				switch {
				case inText && a.Name.Local == "x":
					x = v
				case inText && a.Name.Local == "y":
					y = v
				case e.Name.Local == "svg" && a.Name.Local == "height":
					height = v
				case a.Name.Local == "class":
					class = a.Value
				}
			}
			if e.Name.Local == "g" {
				dx := 0.0
				for _, a := range e.Attr {
					if a.Name.Local == "transform" {
						fmt.Sscanf(a.Value, "translate(%g", &dx)
					}
				}
				shift = append(shift, dx)
			}
		case xml.EndElement:
			if e.Name.Local == "g" {
				shift = shift[:len(shift)-1]
			}
			inText = false
		case xml.CharData:
			if !inText {
				continue
			}
			size = 12
			from := x
			for _, dx := range shift {
				from += dx
			}
			for _, c := range strings.Fields(class) {
				switch w := emWidth(string(e)); c {
				case "t":
					size = 14
				case "e":
					from -= w
				case "c":
					from -= w / 2
				}
			}
			if to := from + emWidth(string(e))*size/12; from < 0 || to > float64(width)+0.01 || len(shift) == 0 && (y < 9 || y > height) {
				all = append(all, fmt.Sprintf("%q from %.1f to %.1f of %d, at height %.1f of %.0f", string(e), from, to, width, y, height))
			}
		}
	}
}

// No text reaches out of its picture, whatever the axes are, in either form.
func TestTextStaysInItsPicture(t *testing.T) {
	for _, p := range samples() {
		for _, form := range []Form{File, Wide, Narrow} {
			for _, text := range outside(t, SVG(p, form), form.Width) {
				t.Errorf("%s: %s", p.Name, text)
			}
		}
	}
	if t.Failed() {
		return
	}
	rapid.Check(t, func(t *rapid.T) {
		bound := rapid.OneOf(rapid.Float64Range(-100, 100), rapid.Float64Range(-1e6, 1e6), rapid.Float64(), rapid.SampledFrom([]float64{0, 1, 1799.9999, 3600, math.NaN(), math.Inf(1)}))
		name := rapid.OneOf(rapid.SampledFrom([]string{"", "gain", "take-<b>&\u202e.wav", strings.Repeat("W", 300), "日本語の長い名前"}), rapid.String())
		axis := func(label string) Axis {
			low := bound.Draw(t, label+" low")
			a := Axis{Name: name.Draw(t, label+" name"), Unit: name.Draw(t, label+" unit"), Scale: Scale(rapid.IntRange(0, 2).Draw(t, label+" scale")), Min: low, Max: low + math.Abs(bound.Draw(t, label+" width")), Whole: rapid.Bool().Draw(t, label+" whole")}
			return a
		}
		var p Picture
		p.Name, p.Title, p.Caption = name.Draw(t, "name"), name.Draw(t, "title"), name.Draw(t, "says")
		for i := range rapid.IntRange(1, 3).Draw(t, "panels") {
			q := Panel{X: axis(fmt.Sprint("x", i)), Y: axis(fmt.Sprint("y", i)), Equal: rapid.Bool().Draw(t, "equal"), Height: rapid.IntRange(0, 300).Draw(t, "height")}
			for k := range rapid.IntRange(0, 4).Draw(t, "series") {
				s := Series{Name: name.Draw(t, "series name"), Role: Role(rapid.IntRange(0, 4).Draw(t, "role")), Kind: Kind(rapid.IntRange(0, 5).Draw(t, "kind"))}
				for range rapid.IntRange(0, 20).Draw(t, "points") {
					s.Points = append(s.Points, Point{bound.Draw(t, "x"), bound.Draw(t, "y")})
				}
				s.Lower = s.Points
				q.Series = append(q.Series, s)
				q.Marks = append(q.Marks, Mark{Name: name.Draw(t, "mark"), At: bound.Draw(t, "at"), Vertical: k%2 == 0})
				q.Spans = append(q.Spans, Span{name.Draw(t, "span"), bound.Draw(t, "from"), bound.Draw(t, "to")})
			}
			p.Panels = append(p.Panels, q)
		}
		for _, form := range []Form{File, Narrow} {
			text := SVG(p, form)
			ids, names := wellFormed(t, text)
			for _, n := range names {
				if !ids[n] {
					t.Fatalf("nothing has the id %q", n)
				}
			}
			for _, o := range outside(t, text, form.Width) {
				t.Fatal(o)
			}
		}
	})
}
