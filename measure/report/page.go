package report

import (
	_ "embed"
	"fmt"
	"slices"
	"strings"
	"unicode"

	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/picture"
)

//go:embed page.css
var style string

// Page is the content of one page.
type Page struct {
	Title    string
	About    string // one line below the title
	Verdict  measure.Verdict
	Unjudged bool   // the answer is shown without a verdict
	Answer   string // the first sentence: the answer to the reader's first question
	Do       []string
	Sections []Section
}

// Section is one part of a page, in the order text, pictures, table.
type Section struct {
	Title, Text string
	Pictures    []picture.Picture
	Table       *Table
	Listing     string // shown line by line, as in a file
	Folded      bool   // collapsed on a screen, open on paper
	ScreenOnly  bool   // not printed
}

// Table is rows of cells. The first cell of a row is its heading.
type Table struct {
	Head []string
	Rows [][]Cell
	// Halves: the first column is as wide as all others together, where both are prose.
	Halves bool
}

// Cell is one cell of a table.
type Cell struct {
	Text   string
	Figure bool // a number with its unit: aligned right, on one line
	Best   bool // marked ▲
	Whole  bool // text on one line, such as a limit
}

func text(s string) Cell { return Cell{Text: s} }

// whole is text on one line.
func whole(s string) Cell { return Cell{Text: s, Whole: true} }

// figure is a reading with its uncertainty.
func figure(r measure.Reading) Cell {
	text := r.String()
	if open := r.Uncertainty(); open == atMost {
		text = open + " " + text
	} else if open != "" {
		text += " " + open
	}
	return Cell{Text: picture.Minus(text), Figure: r.Measurable()}
}

// atMost stands before a value that is an upper bound.
const atMost = "at most"

// sign is a verdict as a sign and a word, so that it does not depend on colour.
func sign(v measure.Verdict) string {
	return map[measure.Verdict]string{measure.Pass: "✓ ", measure.Fail: "✗ ", measure.Undecided: "– "}[v] + v.String()
}

// sign is the page's verdict, "" where there is none.
func (p Page) sign() string {
	if p.Unjudged {
		return ""
	}
	return sign(p.Verdict)
}

// class is the CSS class of the verdict, "" where there is none.
func (p Page) class() string {
	if p.Unjudged {
		return ""
	}
	return " " + p.Verdict.String()
}

// Pictures are the pictures of all sections, in their order.
func (p Page) Pictures() (all []picture.Picture) {
	for _, s := range p.Sections {
		all = append(all, s.Pictures...)
	}
	return all
}

// HTML is the page.
func (p Page) HTML() []byte {
	var b strings.Builder
	foot := strings.Map(func(r rune) rune { // characters that are safe in a CSS string
		if unicode.IsLetter(r) || unicode.IsDigit(r) || strings.ContainsRune(" -._,:()", r) {
			return r
		}
		return -1
	}, strings.ToValidUTF8(p.Title, ""))
	fmt.Fprintf(&b, `<!doctype html>
<html lang="en">
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<meta name="viewport" content="width=device-width">
<title>%s</title>
<style>
%s%s
</style>
<main>
<h1>%[1]s</h1>
<p class="answer%[4]s"><strong>%[5]s</strong> %[6]s</p>
`, picture.Text(p.Title), strings.Replace(style, "FOOT", foot, 1), picture.Style(), p.class(), p.sign(), prose(p.Answer))
	if p.Do != nil {
		b.WriteString("<ul>")
		for _, d := range p.Do {
			fmt.Fprintf(&b, "<li>%s</li>", prose(d))
		}
		b.WriteString("</ul>\n")
	}
	if p.About != "" {
		fmt.Fprintf(&b, `<p class="soft">%s</p>`, prose(p.About))
	}
	for _, s := range p.Sections {
		s.write(&b)
	}
	b.WriteString("</main>\n</html>\n")
	return []byte(b.String())
}

// prose escapes a sentence that may hold names of files and stages.
func prose(s string) string { return picture.Text(picture.Minus(s)) }

func (s Section) write(b *strings.Builder) {
	if s.Folded {
		class := ""
		if s.ScreenOnly {
			class = ` class="screen"`
		}
		fmt.Fprintf(b, "<details%s><summary>%s</summary>\n", class, picture.Text(s.Title))
	} else {
		fmt.Fprintf(b, "<section><h2>%s</h2>\n", picture.Text(s.Title))
	}
	if s.Text != "" {
		fmt.Fprintf(b, "<p>%s</p>\n", prose(s.Text))
	}
	for _, f := range s.Pictures {
		fmt.Fprintf(b, "<figure><h3>%s</h3>%s%s<figcaption>%s</figcaption></figure>\n", picture.Text(f.Title), picture.SVG(f, picture.Wide), picture.SVG(f, picture.Narrow), prose(f.Caption))
	}
	if s.Table != nil {
		s.Table.write(b)
	}
	if s.Listing != "" {
		fmt.Fprintf(b, `<pre tabindex="0">%s</pre>`, listing(s.Listing))
	}
	if s.Folded {
		b.WriteString("</details>\n")
	} else {
		b.WriteString("</section>\n")
	}
}

// listing is text of a file, line by line.
func listing(s string) string {
	lines := strings.Split(strings.TrimRight(s, "\r\n"), "\n")
	for i, line := range lines {
		lines[i] = picture.Text(strings.TrimRight(line, "\r"))
	}
	return strings.Join(lines, "\n")
}

// used is the table without its empty columns.
func (t *Table) used() *Table {
	u := &Table{Halves: t.Halves, Rows: make([][]Cell, len(t.Rows))}
	for i, h := range t.Head {
		if i > 0 && len(t.Rows) > 0 && !slices.ContainsFunc(t.Rows, func(r []Cell) bool { return i < len(r) && r[i].Text != "" }) {
			continue
		}
		u.Head = append(u.Head, h)
		for k, row := range t.Rows {
			if i < len(row) {
				u.Rows[k] = append(u.Rows[k], row[i])
			}
		}
	}
	return u
}

// write repeats the name of a column at each of its cells: in a narrow window the head is
// hidden and the cells of a row are stacked.
func (t *Table) write(b *strings.Builder) {
	t = t.used()
	class := ""
	if t.Halves {
		class = ` class="half"`
	}
	fmt.Fprintf(b, `<table%s><thead><tr>`, class)
	for i, h := range t.Head {
		class := ""
		if slices.ContainsFunc(t.Rows, func(r []Cell) bool { return i < len(r) && r[i].Figure }) {
			class = ` class="n"`
		}
		fmt.Fprintf(b, `<th scope="col"%s>%s</th>`, class, picture.Text(h))
	}
	b.WriteString("</tr></thead><tbody>")
	for _, row := range t.Rows {
		b.WriteString("<tr>")
		if len(row) == 1 && len(t.Head) > 1 { // a heading of the rows that follow
			fmt.Fprintf(b, `<th scope="rowgroup" class="soft" colspan="%d">%s</th></tr>`, len(t.Head), picture.Text(row[0].Text))
			continue
		}
		for i, c := range row {
			class, shown := "", picture.Text(c.Text)
			switch {
			case c.Figure:
				class = ` class="n"`
			case c.Whole:
				class = ` class="w"`
			}
			if c.Best {
				shown = "▲ " + shown
			}
			switch {
			case i == 0:
				fmt.Fprintf(b, `<th scope="row"%s>%s</th>`, class, shown)
			case shown == "":
				b.WriteString("<td></td>")
			default:
				fmt.Fprintf(b, `<td data-h="%s"%s>%s</td>`, picture.Text(t.Head[i]), class, shown)
			}
		}
		b.WriteString("</tr>")
	}
	b.WriteString("</tbody></table>\n")
}
