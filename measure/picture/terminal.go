package picture

import (
	"fmt"
	"math"
	"strings"
)

// Screen is the size and character set of a terminal.
type Screen struct {
	Width int // in characters; 40 at least
	Rows  int // of one panel, 0: 12
	// Braille draws with 2 x 4 dots per character, which needs a font with braille patterns
	// (U+2800). Without it the output is ASCII, and each series has a letter. Later series
	// cover earlier ones, as in SVG.
	Braille bool
}

const (
	leastWidth   = 40
	defaultRows  = 12
	labelColumns = 9 // of the y axis, its line among them
)

// letters are the roles in ASCII.
var letters = [5]byte{'*', 'o', '+', 'x', '#'}

// letter is the letter of a role; an undefined one has that of Measured.
func (r Role) letter() byte {
	if r < Measured || r > Fourth {
		return letters[Measured]
	}
	return letters[r]
}

// Terminal draws a picture with characters: title, panels, sentence. It uses no colour and no
// control characters except line feeds. With braille only the first series of the first role
// in a panel is drawn, since dots of two series look alike; a line below names it.
func Terminal(p Picture, s Screen) string {
	s.Width = max(leastWidth, s.Width)
	if s.Rows <= 0 {
		s.Rows = defaultRows
	}
	var b strings.Builder
	write := func(line string) {
		b.WriteString(strings.TrimRight(s.plain(line), " "))
		b.WriteByte('\n')
	}
	for _, line := range wrap(p.Title, float64(s.Width), columns) {
		write(line)
	}
	for i, q := range p.Panels {
		q.X, q.Y = q.X.usable(), q.Y.usable()
		write(shorten(named(q.Y), float64(s.Width), columns))
		for _, line := range s.panel(q) {
			write(line)
		}
		if i == len(p.Panels)-1 || p.Panels[i+1].X.usable() != q.X {
			write(s.xLabels(q.X))
			name := shorten(named(q.X), float64(s.Width), columns)
			indent := (s.Width + labelColumns - int(columns(name))) / 2
			write(strings.Repeat(" ", max(0, min(indent, s.Width-int(columns(name))))) + name)
		}
		for _, line := range s.key(q) {
			write(line)
		}
	}
	for _, line := range wrap(p.Caption, float64(s.Width), columns) {
		write(line)
	}
	return b.String()
}

// columns is how many columns of a terminal text takes: characters from U+1100 on take
// two (East Asian wide, Unicode Standard Annex 11), the punctuation, arrows and
// patterns of U+2000 to U+2E7F one.
func columns(s string) float64 {
	w := 0.0
	for _, r := range s {
		w++
		if r >= 0x1100 && !(r >= 0x2000 && r < 0x2E80) {
			w++
		}
	}
	return w
}

// plain is text in the characters of the terminal: ASCII unless it has braille.
func (s Screen) plain(text string) string {
	if s.Braille {
		return text
	}
	return strings.Map(func(r rune) rune {
		switch {
		case r == '−' || r == '–':
			return '-'
		case r == '…':
			return '~'
		case r == '×':
			return 'x'
		case r < 0x20 || r > 0x7E:
			return '?'
		}
		return r
	}, text)
}

// grid is the characters of one panel.
type grid struct {
	Screen
	width int
	cells []rune // braille bits, or letters; 0: empty
	under []rune // marks, where nothing else is
}

func (s Screen) panel(q Panel) []string {
	g := &grid{Screen: s, width: s.Width - labelColumns}
	g.cells, g.under = make([]rune, g.width*s.Rows), make([]rune, g.width*s.Rows)
	for _, m := range q.Marks {
		g.mark(m, q)
	}
	for _, r := range s.drawn(q) {
		g.series(r, q)
	}
	labels := g.yLabels(q.Y)
	lines := make([]string, s.Rows)
	for row := range lines {
		lines[row] = fmt.Sprintf("%*s|%s", labelColumns-1, labels[row], g.row(row))
	}
	return append(lines, strings.Repeat(" ", labelColumns-1)+"+"+strings.Repeat("-", g.width))
}

// drawn are the series of a panel that this screen shows.
func (s Screen) drawn(q Panel) []Series {
	if !s.Braille || len(q.Series) == 0 {
		return q.Series
	}
	first := q.Series[0]
	for _, r := range q.Series {
		if r.Role < first.Role {
			first = r
		}
	}
	return []Series{first}
}

// place is the row or column of a value, from 0 to size−1. Values outside are not drawn.
func place(a Axis, v float64, size int) int {
	share := max(-1, min(2, a.share(v)))
	return int(math.Round(share * float64(size-1)))
}

func (g *grid) dots() (perColumn, perRow int) {
	if g.Braille {
		return 2, 4
	}
	return 1, 1
}

func (g *grid) dot(x, y int, letter byte) {
	dx, dy := g.dots()
	if x < 0 || y < 0 || x >= g.width*dx || y >= g.Rows*dy {
		return
	}
	cell := &g.cells[y/dy*g.width+x/dx]
	if !g.Braille {
		*cell = rune(letter)
		return
	}
	*cell |= [4][2]rune{{1, 8}, {2, 16}, {4, 32}, {64, 128}}[y%4][x%2]
}

func (g *grid) series(s Series, q Panel) {
	dx, dy := g.dots()
	wide, high := g.width*dx, g.Rows*dy
	at := func(p Point) (int, int) { return place(q.X, p.X, wide), high - 1 - place(q.Y, p.Y, high) }
	foot := high - 1 - place(q.Y, 0, high)
	if s.Kind == Stems || q.Y.Min > 0 || q.Y.Max < 0 {
		foot = high - 1
	}
	pen, lastX, lastY := false, 0, 0
	for i, p := range s.Points {
		if p.Y-p.Y != 0 || p.X-p.X != 0 {
			pen = false
			continue
		}
		x, y := at(p)
		fromX, fromY := x, y
		switch s.Kind {
		case Line:
			if pen {
				fromX, fromY = lastX, lastY
			}
		case Envelope:
			if i >= len(s.Lower) || s.Lower[i].Y-s.Lower[i].Y != 0 {
				continue
			}
			_, fromY = at(s.Lower[i])
		case Stems, Bars, Samples:
			fromY = foot
		}
		steps := max(1, abs(x-fromX), abs(y-fromY))
		for k := 0; k <= steps; k++ {
			g.dot(fromX+(x-fromX)*k/steps, fromY+(y-fromY)*k/steps, s.Role.letter())
		}
		pen, lastX, lastY = true, x, y
	}
}

// mark is a row or column of dashes under the series, and its name where it fits.
func (g *grid) mark(m Mark, q Panel) {
	if m.At != m.At {
		return
	}
	put := func(x, y int, r rune) {
		if x >= 0 && y >= 0 && x < g.width && y < g.Rows {
			g.under[y*g.width+x] = r
		}
	}
	name := []rune(g.plain(shorten(m.Name, float64(g.width-2), columns)))
	for _, r := range name {
		if columns(string(r)) > 1 {
			name = nil // two columns a character would shift the row
			break
		}
	}
	if m.Vertical {
		x := place(q.X, m.At, g.width)
		for y := range g.Rows {
			put(x, y, ':')
		}
		if x+1+len(name) <= g.width && x >= 0 {
			for i, r := range name {
				put(x+1+i, 0, r)
			}
		}
		return
	}
	y := g.Rows - 1 - place(q.Y, m.At, g.Rows)
	for x := range g.width {
		put(x, y, '-')
	}
	for i, r := range name {
		put(g.width-1-len(name)+i, y, r)
	}
}

func (g *grid) row(row int) string {
	line := make([]rune, g.width)
	for i := range line {
		switch cell, under := g.cells[row*g.width+i], g.under[row*g.width+i]; {
		case cell != 0 && g.Braille:
			line[i] = 0x2800 + cell
		case cell != 0:
			line[i] = cell
		case under != 0:
			line[i] = under
		default:
			line[i] = ' '
		}
	}
	return string(line)
}

// yLabels are the round values beside the rows they belong to.
func (g *grid) yLabels(a Axis) []string {
	labels := make([]string, g.Rows)
	values, _ := a.ticks(max(2, g.Rows/3))
	step := a.step(max(2, g.Rows/3))
	for _, v := range values {
		labels[g.Rows-1-min(g.Rows-1, max(0, place(a, v, g.Rows)))] = shorten(a.label(v, step), labelColumns-2, columns)
	}
	return labels
}

// xLabels are the round values under the columns they belong to, those that fit.
func (s Screen) xLabels(a Axis) string {
	width := s.Width - labelColumns
	room := 8
	if a.Scale == Time {
		room = 12
	}
	count := max(2, width/room)
	values, _ := a.ticks(count)
	line := []rune(strings.Repeat(" ", s.Width))
	free := 0
	for _, v := range values {
		label := []rune(a.label(v, a.step(count)))
		from := labelColumns + place(a, v, width) - len(label)/2
		from = min(from, s.Width-len(label))
		if from < free {
			continue
		}
		copy(line[from:], label)
		free = from + len(label) + 1
	}
	return string(line)
}

// key is the legend of the characters.
func (s Screen) key(q Panel) []string {
	if s.Braille {
		drawn := s.drawn(q)
		if len(q.Series) < 2 || drawn[0].Name == "" {
			return nil
		}
		var left []string
		for _, r := range q.Series {
			if r.Name != drawn[0].Name && r.Name != "" {
				left = append(left, r.Name)
			}
		}
		if left == nil {
			return nil
		}
		return wrap(fmt.Sprintf("drawn: %s; not drawn: %s", drawn[0].Name, strings.Join(left, ", ")), float64(s.Width), columns)
	}
	var entries []string
	for _, r := range q.Series {
		if r.Name != "" {
			entries = append(entries, fmt.Sprintf("%c %s", r.Role.letter(), r.Name))
		}
	}
	return wrap(strings.Join(entries, ", "), float64(s.Width), columns)
}

func abs(v int) int { return max(v, -v) }
