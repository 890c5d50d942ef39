package picture

import (
	"math"
	"strconv"
	"strings"
)

// path writes the data of an SVG path, with relative coordinates after the first point. Points
// are rounded to hundredths of a pixel before they are subtracted, so errors do not add up.
// Relative coordinates take half the bytes of absolute ones.
type path struct {
	*strings.Builder
	x, y  int // hundredths, where the pen is
	down  bool
	drawn bool // whether a line has been drawn since the path began
}

func hundredths(v float64) int {
	if math.IsNaN(v) {
		return 0
	}
	return int(math.Round(max(-1e5, min(1e5, v)) * 100))
}

// to draws a line to a point, or begins the path there.
func (p *path) to(x, y float64) {
	atX, atY := hundredths(x), hundredths(y)
	if !p.down {
		p.WriteString("M" + n(x) + " " + n(y))
		p.drawn = false
	} else {
		dx, dy := short(atX-p.x), short(atY-p.y)
		p.WriteByte("l "[b2i(p.drawn)])
		p.drawn = true
		p.WriteString(dx)
		if dy[0] != '-' {
			p.WriteByte(' ')
		}
		p.WriteString(dy)
	}
	p.x, p.y, p.down = atX, atY, true
}

// lift ends a line.
func (p *path) lift() { p.down = false }

// close ends an area.
func (p *path) close() {
	p.WriteByte('Z')
	p.down = false
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

// short formats hundredths of a pixel as pixels, without a zero before the point.
func short(v int) string {
	text := strconv.FormatFloat(float64(v)/100, 'f', -1, 64)
	switch {
	case strings.HasPrefix(text, "0."):
		return text[1:]
	case strings.HasPrefix(text, "-0."):
		return "-" + text[2:]
	}
	return text
}
