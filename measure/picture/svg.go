package picture

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Form is the shape in which a picture is drawn.
type Form struct {
	Width int  // in pixels of 1/96 inch, 280 at least
	Alone bool // a complete file: with style sheet, background, title and sentence
	// Class is a further class of the svg element, and part of its ids: a page that
	// holds one picture in two widths gives them two classes.
	Class string
}

var (
	File   = Form{Width: 760, Alone: true}     // a file of its own
	Wide   = Form{Width: 760, Class: "wide"}   // in a page, for screens and paper
	Narrow = Form{Width: 360, Class: "narrow"} // in a page, for phones
)

const (
	defaultHeight = 200
	margin        = 4  // around all
	lineHeight    = 15 // of text of 12 px
	panelGap      = 42 // between panels: the name of the next y axis
	belowPanels   = 42 // labels and name of the x axis
	rightMargin   = 30 // half of the last label of the x axis
)

// canvas is a picture while it is drawn.
type canvas struct {
	strings.Builder
	Form
	left float64 // where panels begin
	id   string
}

// SVG draws a picture as one svg element with title, desc and role. It sets no fonts, loads
// nothing and has no script.
func SVG(p Picture, form Form) string {
	form.Width = max(280, form.Width)
	c := &canvas{Form: form, id: p.id(form.Class)}
	panels := make([]Panel, len(p.Panels))
	for i, q := range p.Panels {
		q.X, q.Y = q.X.usable(), q.Y.usable()
		if q.Height <= 0 {
			q.Height = defaultHeight
		}
		panels[i] = q
	}
	c.left = leftMargin(panels)
	rights := c.rights(panels)
	head := margin
	var title, says []string
	if c.Alone {
		inside := float64(c.Width - 2*margin)
		title = wrap(p.Title, inside, func(s string) float64 { return emWidth(s) * 14 / 12 })
		says = wrap(p.Caption, inside, emWidth)
		head += 18*len(title) + lineHeight*len(says) + 6
	}
	legend, rows := c.legend(panels)
	height := head + 18*rows + 8
	tops, labelled := make([]int, len(panels)), make([]bool, len(panels))
	for i, q := range panels {
		tops[i] = height + panelGap - 10
		height = tops[i] + q.Height
		// Panels on one x axis share its labels.
		if labelled[i] = i == len(panels)-1 || panels[i+1].X != q.X; labelled[i] {
			height += belowPanels
		}
	}

	fmt.Fprintf(c, `<svg xmlns="http://www.w3.org/2000/svg" class="%s" viewBox="0 0 %d %d" width="%[2]d" height="%[3]d" role="img" aria-labelledby="%[4]s-t %[4]s-d"><title id="%[4]s-t">%[5]s</title><desc id="%[4]s-d">%[6]s</desc>`,
		strings.TrimSpace("bbp "+c.Class), c.Width, height, c.id, Text(p.Title), Text(p.Caption))
	if c.Alone {
		fmt.Fprintf(c, `<style>%s</style>`, Style())
	}
	c.hatches(panels)
	fmt.Fprintf(c, `<rect class="p" width="%d" height="%d"/>`, c.Width, height)
	y := margin + 12.0
	for _, line := range title {
		c.text("t", margin, y, line)
		y += 18
	}
	for _, line := range says {
		c.text("s", margin, y, line)
		y += lineHeight
	}
	if rows > 0 {
		fmt.Fprintf(c, `<g transform="translate(0 %d)">%s</g>`, head+10, legend)
	}
	for i, q := range panels {
		c.panel(fmt.Sprintf("%s-%d", c.id, i), q, float64(tops[i]), rights[i], labelled[i])
	}
	c.WriteString("</svg>")
	return c.String()
}

// id is a picture's name without the characters that an id must not have.
func (p Picture) id(class string) string {
	id := "p-" + strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' {
			return r
		}
		return '_'
	}, p.Name)
	if class != "" {
		id += "-" + class
	}
	return id
}

// n formats a coordinate with two decimals, without a negative zero, NaN or infinity.
func n(v float64) string {
	v = math.Round(max(-1e5, min(1e5, v))*100) / 100
	if v == 0 || math.IsNaN(v) {
		return "0"
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}

func (c *canvas) text(class string, x, y float64, s string) {
	fmt.Fprintf(c, `<text class="%s" x="%s" y="%s">%s</text>`, class, n(x), n(y), Text(s))
}

// side is an axis on the canvas.
type side struct {
	Axis
	from, to float64 // pixels
}

func (s side) at(v float64) float64 {
	return s.from + float64(s.share(v)*(s.to-s.from))
}

// ticks chooses ticks with room for their labels.
func (s side) ticks() (labelled, lines []float64, step float64) {
	length := math.Abs(s.to - s.from)
	room := 30.0 // a row of text and space
	if s.from < s.to {
		room = 46
		if s.Scale == Time {
			room = 30 + emWidth(timeLabel(s.Max, s.step(int(length/100))))
		}
	}
	count := max(3, int(length/room))
	labelled, lines = s.Axis.ticks(count)
	return labelled, lines, s.step(count)
}

// leftMargin is the width of the labels of the y axes, in pixels.
func leftMargin(panels []Panel) float64 {
	widest := 30.0
	for _, q := range panels {
		y := side{q.Y, float64(q.Height), 0}
		labelled, _, step := y.ticks()
		for _, v := range labelled {
			widest = max(widest, emWidth(q.Y.label(v, step)))
		}
	}
	return margin + widest + 8
}

// rights are the right ends of the panels, in pixels. Panels with equal scales set the width
// of their neighbours on the same x axis; one that is too wide is made lower.
func (c *canvas) rights(panels []Panel) []float64 {
	rights := make([]float64, len(panels))
	wide := float64(c.Width-rightMargin) - c.left
	for i := range panels {
		rights[i] = c.left + wide
	}
	for i, q := range panels {
		if !q.Equal {
			continue
		}
		ratio := max(0.1, min(10, (q.X.Max-q.X.Min)/(q.Y.Max-q.Y.Min)))
		panels[i].Height = int(min(float64(q.Height), wide/ratio))
		width := float64(panels[i].Height) * ratio
		for k := range panels {
			if panels[k].X == q.X {
				rights[k] = c.left + width
			}
		}
	}
	return rights
}

func (c *canvas) panel(id string, q Panel, top, right float64, labels bool) {
	x := side{q.X, c.left, right}
	y := side{q.Y, top + float64(q.Height), top}
	columns, columnLines, columnStep := x.ticks()
	rows, rowLines, rowStep := y.ticks()
	fmt.Fprintf(c, `<clipPath id="%s"><rect x="%s" y="%s" width="%s" height="%d"/></clipPath>`, id, n(x.from), n(top), n(x.to-x.from), q.Height)
	for _, s := range q.Spans {
		from, to := max(x.from, x.at(s.From)), min(x.to, x.at(s.To))
		if to >= from {
			class := "w"
			if to-from >= 4 { // the edges of narrow spans would hide the rest
				class = "w we"
			}
			fmt.Fprintf(c, `<rect class="%s" x="%s" y="%s" width="%s" height="%d"/>`, class, n(from), n(top), n(max(1, to-from)), q.Height)
		}
	}
	c.WriteString(`<path class="g" d="`)
	for _, v := range columnLines {
		fmt.Fprintf(c, "M%s %sV%s", n(x.at(v)), n(top), n(y.from))
	}
	for _, v := range rowLines {
		fmt.Fprintf(c, "M%s %sH%s", n(x.from), n(y.at(v)), n(x.to))
	}
	c.WriteString(`"/>`)
	c.text("s", margin, top-11, shorten(named(q.Y), float64(c.Width-2*margin), emWidth))
	for _, v := range rows {
		c.text("e", x.from-6, y.at(v)+4, q.Y.label(v, rowStep))
	}
	if labels {
		for _, v := range columns {
			label := q.X.label(v, columnStep)
			half := 1 + emWidth(label)/2 // at either end it moves into the picture
			c.text("c", max(half, min(float64(c.Width)-half, x.at(v))), y.from+16, label)
		}
		c.text("s c", (x.from+x.to)/2, y.from+33, shorten(named(q.X), x.to-x.from, emWidth))
	}
	fmt.Fprintf(c, `<g clip-path="url(#%s)">`, id)
	for _, b := range q.Bands {
		c.area(`class="b"`, b.Upper, b.Lower, x, y)
	}
	for _, s := range q.Series {
		c.series(s, x, y)
	}
	c.WriteString(`</g>`)
	fmt.Fprintf(c, `<rect class="ax" x="%s" y="%s" width="%s" height="%d"/>`, n(x.from), n(top), n(x.to-x.from), q.Height)
	for _, s := range q.Series {
		if s.Kind == Dots || s.Kind == Samples {
			c.dots(s, x, y)
		}
	}
	c.marks(q.Marks, x, y)
}

func named(a Axis) string {
	switch {
	case a.Scale == Time:
		return a.Name + ", h:mm:ss"
	case a.Unit == "":
		return a.Name
	}
	return a.Name + ", " + a.Unit
}
