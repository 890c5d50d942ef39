package chain

import (
	"bytes"
	"errors"
	"strings"
	"unicode/utf8"

	"github.com/pelletier/go-toml/v2/unstable"
)

// document is a TOML text as a tree with the place of everything in it. The
// walk uses the parser below go-toml's decoder, which is outside that module's
// promise of compatibility and so is used in this file alone.
type document struct {
	path string
	text []byte
	root *group
}

// group is a table: the root, a [[stage]] or a [[stage.band]].
type group struct {
	at      int // offset of its header
	entries []entry
	groups  []*group // its array tables, in order
	name    string
}

// entry is a key with its value.
type entry struct {
	key   string
	keyAt int
	value value
}

// value is a scalar or a list of them.
type value struct {
	kind unstable.Kind
	text string // a string's content, else the source text
	list []value
	at   int
}

func parseDocument(path string, text []byte) (*document, error) {
	text = bytes.TrimPrefix(text, []byte("\ufeff")) // a byte-order mark
	d := &document{path: path, text: text, root: &group{}}
	if !utf8.Valid(text) {
		at := 0
		for at < len(text) {
			r, size := utf8.DecodeRune(text[at:])
			if r == utf8.RuneError && size == 1 {
				break
			}
			at += size
		}
		return nil, &FileError{path, []Problem{d.problem(at, "", "a byte that is no UTF-8", "a text in UTF-8", "")}}
	}
	w := &walker{document: d, group: d.root}
	w.parser.Reset(text)
	for w.parser.NextExpression() {
		w.expression(w.parser.Expression())
	}
	if err := w.parser.Error(); err != nil {
		w.problems = append(w.problems, d.syntax(&w.parser, err))
	}
	if len(w.problems) > 0 {
		return nil, &FileError{path, w.problems}
	}
	return d, nil
}

type walker struct {
	*document
	parser   unstable.Parser
	group    *group
	problems []Problem
}

func (w *walker) expression(e *unstable.Node) {
	var path []string
	at := 0
	for it := e.Key(); it.Next(); {
		if len(path) == 0 {
			at = int(it.Node().Raw.Offset)
		}
		path = append(path, string(it.Node().Data))
	}
	name := strings.Join(path, ".")
	switch e.Kind {
	case unstable.KeyValue:
		w.group.entries = append(w.group.entries, entry{name, at, w.value(e.Value(), at)})
	case unstable.ArrayTable:
		g := &group{at: at, name: name}
		switch parent := w.root; {
		case name == "stage":
			parent.groups = append(parent.groups, g)
		case name == "stage.band" && len(parent.groups) > 0:
			stage := parent.groups[len(parent.groups)-1]
			stage.groups = append(stage.groups, g)
		case name == "stage.band":
			w.problems = append(w.problems, w.problem(at, name, "a band ahead of any stage", "[[stage]] first", ""))
		default:
			w.problems = append(w.problems, w.problem(at, name, "table [["+name+"]]", "[[stage]], and [[stage.band]] in an equaliser", ""))
		}
		w.group = g
	case unstable.Table:
		w.problems = append(w.problems, w.problem(at, name, "table ["+name+"]", "[[stage]] with two brackets: stages come in order", ""))
		w.group = &group{at: at, name: name} // its keys are not looked at
	}
}

func (w *walker) value(n *unstable.Node, keyAt int) value {
	v := value{kind: n.Kind, at: int(n.Raw.Offset), text: string(n.Data)}
	if n.Kind == unstable.Array || n.Kind == unstable.InlineTable {
		v.at = keyAt // the parser does not say where these begin
		for it := n.Children(); it.Next(); {
			child := w.value(it.Node(), keyAt)
			v.list = append(v.list, child)
		}
	}
	return v
}

// syntax turns the parser's error into a problem, with a hint for what people
// type.
func (d *document) syntax(p *unstable.Parser, err error) Problem {
	at := len(d.text)
	message := err.Error()
	var parse *unstable.ParserError
	if errors.As(err, &parse) {
		message = parse.Message
		if len(parse.Highlight) > 0 {
			at = int(p.Range(parse.Highlight).Offset)
		}
	}
	start, end := d.line(at)
	line := string(d.text[start:end])
	hint := ""
	switch {
	case strings.ContainsRune(line, '−'):
		hint = "a minus sign from a word processor: type the hyphen-minus -"
	case strings.ContainsAny(line, "“”„‘’"):
		hint = "quotation marks from a word processor: type straight ones"
	case decimalComma(line):
		hint = "a decimal comma: type a point, as in -1.5"
	case strings.Contains(line, "=") && !strings.Contains(line, `"`):
		hint = "a text needs quotation marks, as in kind = \"limiter\"; a number stands without a unit"
	}
	return d.problem(at, "", "text that is no TOML ("+message+")", `lines such as corner_hz = 80, kind = "highpass", [[stage]]`, hint)
}

func decimalComma(line string) bool {
	_, after, found := strings.Cut(line, "=")
	if !found || strings.Contains(after, "[") {
		return false
	}
	before, digits, found := strings.Cut(after, ",")
	return found && before != "" && digits != "" && isDigit(before[len(before)-1]) && isDigit(digits[0])
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

// line returns where the line around an offset begins and ends.
func (d *document) line(at int) (start, end int) {
	at = min(at, len(d.text))
	start = bytes.LastIndexByte(d.text[:at], '\n') + 1
	end = len(d.text)
	if n := bytes.IndexByte(d.text[at:], '\n'); n >= 0 {
		end = at + n
	}
	return start, end
}

// problem describes what is wrong at an offset.
func (d *document) problem(at int, key, found, accepted, hint string) Problem {
	at = min(at, len(d.text))
	start, end := d.line(at)
	return Problem{
		Path: d.path, Line: 1 + bytes.Count(d.text[:start], []byte("\n")), Column: 1 + utf8.RuneCount(d.text[start:at]),
		Key: key, Found: found, Accepted: accepted, Hint: hint,
		source: strings.TrimRight(string(d.text[start:end]), "\r"),
	}
}
