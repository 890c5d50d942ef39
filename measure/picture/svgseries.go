package picture

import (
	"fmt"
	"math"
)

// thin reduces the points of a line to those that can be seen: the smallest and the largest
// of each column of pixels, in their order. Points that interrupt a line are kept.
func thin(points []Point, x side) []Point {
	if len(points) <= 2*int(math.Abs(x.to-x.from)) {
		return points
	}
	var out []Point
	for from := 0; from < len(points); {
		if p := points[from]; p.Y-p.Y != 0 {
			out, from = append(out, p), from+1
			continue
		}
		column := math.Floor(x.at(points[from].X))
		low, high, to := from, from, from+1 // one at least: an x that is NaN lies in no column
		for ; to < len(points) && math.Floor(x.at(points[to].X)) == column && points[to].Y-points[to].Y == 0; to++ {
			if points[to].Y < points[low].Y {
				low = to
			}
			if points[to].Y > points[high].Y {
				high = to
			}
		}
		out = append(out, points[min(low, high)])
		if low != high {
			out = append(out, points[max(low, high)])
		}
		from = to
	}
	return out
}

// thinArea reduces an area to one point per column of pixels: its largest upper and smallest
// lower value.
func thinArea(upper, lower []Point, x side) (u, l []Point) {
	if len(upper) <= int(math.Abs(x.to-x.from)) {
		return upper, lower
	}
	last := math.NaN()
	for i := range upper {
		gap := upper[i].Y - lower[i].Y
		if column := math.Floor(x.at(upper[i].X)); column != last || gap-gap != 0 {
			u, l, last = append(u, upper[i]), append(l, lower[i]), column
			continue
		}
		k := len(u) - 1
		u[k].Y, l[k].Y = max(u[k].Y, upper[i].Y), min(l[k].Y, lower[i].Y)
	}
	return u, l
}

// area fills what lies between two edges; it ends and begins again where one is missing.
func (c *canvas) area(look string, upper, lower []Point, x, y side) {
	count := min(len(upper), len(lower))
	upper, lower = thinArea(upper[:count], lower[:count], x)
	missing := func(i int) bool { v := upper[i].Y - lower[i].Y; return v-v != 0 }
	fmt.Fprintf(c, `<path %s d="`, look)
	for from := 0; from < len(upper); {
		if missing(from) {
			from++
			continue
		}
		to := from
		for to < len(upper) && !missing(to) {
			to++
		}
		pen := path{Builder: &c.Builder}
		for i := from; i < to; i++ {
			pen.to(x.at(upper[i].X), y.at(upper[i].Y))
		}
		for i := to - 1; i >= from; i-- {
			bottom := y.at(lower[i].Y)
			if top := y.at(upper[i].Y); bottom < top+0.7 {
				bottom = top + 0.7 // silence is drawn as a line
			}
			pen.to(x.at(lower[i].X), bottom)
		}
		pen.close()
		from = to
	}
	c.WriteString(`"/>`)
}

// A series is drawn in its kind's shape and its role's colour and dash.
func (c *canvas) series(s Series, x, y side) {
	switch s.Kind {
	case Envelope:
		c.area(c.areaLook(s.Role), s.Points, s.Lower, x, y)
	case Line:
		c.line(s, x, y)
	case Samples:
		c.toZero(s, x, y)
	case Stems:
		fmt.Fprintf(c, `<path class="st k%d" d="`, s.Role)
		for _, p := range thin(s.Points, x) {
			if p.Y-p.Y == 0 && y.at(p.Y) < y.from {
				fmt.Fprintf(c, "M%s %sV%s", n(x.at(p.X)), n(y.from), n(y.at(p.Y)))
			}
		}
		c.WriteString(`"/>`)
	case Bars:
		c.bars(s, x, y)
	}
}

func (c *canvas) line(s Series, x, y side) {
	fmt.Fprintf(c, `<path class="l k%d" d="`, s.Role)
	pen := path{Builder: &c.Builder}
	for _, p := range thin(s.Points, x) {
		if p.Y-p.Y != 0 {
			pen.lift() // a value is missing
			continue
		}
		pen.to(x.at(p.X), y.at(p.Y))
	}
	c.WriteString(`"/>`)
}

// toZero draws the stems of samples.
func (c *canvas) toZero(s Series, x, y side) {
	fmt.Fprintf(c, `<path class="st k%d" d="`, s.Role)
	for _, p := range s.Points {
		if p.Y-p.Y == 0 {
			fmt.Fprintf(c, "M%s %sV%s", n(x.at(p.X)), n(y.at(0)), n(y.at(p.Y)))
		}
	}
	c.WriteString(`"/>`)
}

// dots are drawn above the frame, so that one on it is whole; those outside are left out.
func (c *canvas) dots(s Series, x, y side) {
	inside := func(share float64) bool { return share > -1e-6 && share < 1+1e-6 }
	for _, p := range s.Points {
		if p.Y-p.Y == 0 && inside(x.share(p.X)) && inside(y.share(p.Y)) {
			c.WriteString(dot(s.Role, x.at(p.X), y.at(p.Y)))
		}
	}
}

// dot draws a dot in the shape of its role.
func dot(r Role, x, y float64) string {
	if r == Measured {
		return fmt.Sprintf(`<circle class="f0" cx="%s" cy="%s" r="2.6"/>`, n(x), n(y))
	}
	shapes := [...]string{Declared: "m0 3.6l3.2-5.6h-6.4z", Second: "m0-3.8l3.8 3.8-3.8 3.8-3.8-3.8z", Third: "m0-3.6l3.2 5.6h-6.4z", Fourth: "m-2.5-2.5h5v5h-5z"}
	return fmt.Sprintf(`<path class="f%d" d="M%s %s%s"/>`, r, n(x), n(y), shapes[r])
}

// areaLook is the class of an area, and its fill where it is hatched. Areas of other roles
// than the first are hatched, so that they can be distinguished without colour.
func (c *canvas) areaLook(r Role) string {
	if r == Measured {
		return `class="f0"`
	}
	return fmt.Sprintf(`class="a k%d" fill="url(#%s-h%[1]d)"`, r, c.id)
}

// hatches defines the hatched fills of a picture.
func (c *canvas) hatches(panels []Panel) {
	var defined [len(dashes)]bool
	for _, q := range panels {
		for _, s := range q.Series {
			if s.Kind == Envelope && s.Role != Measured && !defined[s.Role] {
				defined[s.Role] = true
				fmt.Fprintf(c, `<pattern id="%s-h%d" width="4" height="4" patternUnits="userSpaceOnUse" patternTransform="rotate(%d)"><rect class="p" width="4" height="4"/><rect class="f%[2]d" width="2" height="4"/></pattern>`, c.id, s.Role, 45*(1-2*(int(s.Role)&1)))
			}
		}
	}
}

func (c *canvas) bars(s Series, x, y side) {
	width := 8.0
	for i := 1; i < len(s.Points); i++ {
		width = min(width, max(1, 0.6*(x.at(s.Points[i].X)-x.at(s.Points[i-1].X))))
	}
	zero := min(y.from, max(y.to, y.at(0)))
	if s.Role != Measured {
		width *= 0.5 // bars of two series stay apart: one is inside the other
	}
	fmt.Fprintf(c, `<path class="f%d" d="`, s.Role)
	for _, p := range s.Points {
		if p.Y-p.Y == 0 {
			fmt.Fprintf(c, "M%s %sV%sh%sV%sz", n(x.at(p.X)-width/2), n(zero), n(y.at(p.Y)), n(width), n(zero))
		}
	}
	c.WriteString(`"/>`)
}

// marks are drawn on top. A name is left out where it would cover another one or repeats one.
func (c *canvas) marks(marks []Mark, x, y side) {
	type place struct{ from, to, y float64 }
	var taken []place
	free := func(p place) bool {
		if p.from < x.from || p.to > x.to || p.y < y.to+10 || p.y > y.from-2 {
			return false
		}
		for _, t := range taken {
			if p.from < t.to && t.from < p.to && math.Abs(p.y-t.y) < 13 {
				return false
			}
		}
		return true
	}
	seen := map[string]bool{}
	var names []func()
	for _, m := range marks {
		if m.Vertical && (m.At < x.Min || m.At > x.Max) || !m.Vertical && (m.At < y.Min || m.At > y.Max) || m.At != m.At {
			continue
		}
		name := shorten(m.Name, x.to-x.from-8, emWidth)
		width := emWidth(name)
		var tries []place
		if m.Vertical {
			at := x.at(m.At)
			fmt.Fprintf(c, `<path class="m" d="M%s %sV%s"/>`, n(at), n(y.to), n(y.from))
			for row := range 4 {
				tries = append(tries, place{at + 4, at + 4 + width, y.to + 12 + 13*float64(row)}, place{at - 4 - width, at - 4, y.to + 12 + 13*float64(row)})
			}
		} else {
			at := y.at(m.At)
			fmt.Fprintf(c, `<path class="m" d="M%s %sH%s"/>`, n(x.from), n(at), n(x.to))
			for _, row := range []float64{at - 4, at + 13} {
				tries = append(tries, place{x.to - 4 - width, x.to - 4, row}, place{x.from + 4, x.from + 4 + width, row})
			}
		}
		if name == "" || seen[name] {
			continue
		}
		for _, p := range tries {
			if free(p) {
				taken, seen[name] = append(taken, p), true
				names = append(names, func() { c.text("h", p.from, p.y, name) })
				break
			}
		}
	}
	for _, write := range names {
		write()
	}
}

// legend is the names of series, bands and spans, in rows that fit.
func (c *canvas) legend(panels []Panel) (text string, rows int) {
	b := &canvas{Form: c.Form, id: c.id}
	at, seen := float64(margin), map[string]bool{}
	entry := func(name, key string) {
		if name == "" || seen[name+key] {
			return
		}
		seen[name+key] = true
		name = shorten(name, float64(c.Width-2*margin)-30, emWidth)
		width := 30 + emWidth(name)
		if rows == 0 || at+width > float64(c.Width-margin) {
			at = margin
			rows++
		}
		fmt.Fprintf(b, `<g transform="translate(%s %d)">%s`, n(at), 18*(rows-1), key)
		b.text("", 30, 4, name)
		b.WriteString(`</g>`)
		at += width + 14
	}
	for _, q := range panels {
		for _, s := range q.Series {
			key := fmt.Sprintf(`<path class="l k%d" d="M0 0H24"/>`, s.Role)
			switch s.Kind {
			case Envelope:
				key = fmt.Sprintf(`<path %s d="M0-5H24V5H0z"/>`, b.areaLook(s.Role))
			case Bars:
				key = fmt.Sprintf(`<path class="f%d" d="M0-5H24V5H0z"/>`, s.Role)
			case Stems:
				key = fmt.Sprintf(`<path class="st k%d" d="M4 5V-2M9 5V-5M14 5V0M19 5V-4"/>`, s.Role)
			case Dots, Samples:
				key = dot(s.Role, 12, 0)
			}
			entry(s.Name, key)
		}
		for _, w := range q.Bands {
			entry(w.Name, `<path class="b" d="M0-5H24V5H0z"/>`)
		}
		for _, w := range q.Spans {
			entry(w.Name, `<path class="w we" d="M0-6H24V6H0z"/>`)
		}
	}
	return b.String(), rows
}
