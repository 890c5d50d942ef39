package tomlfile

import (
	"bytes"
	"errors"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2/unstable"
)

// Only this file uses go-toml's unstable package, which gives positions but is not
// covered by that module's promise of compatibility.

// Value is a value of a TOML document and its place.
type Value struct {
	Kind    Kind
	At      Span
	Raw     string  // a number as written
	Text    string  // a string, decoded
	Number  float64 // a number; 1 for true
	Items   []*Value
	Entries []Entry        // of a table, in order
	index   map[string]int // of the entries
}

// Entry is a key of a table, its place, and its value.
type Entry struct {
	Key   string
	At    Span
	Value *Value
}

// Kind is the type of a value.
type Kind int

// The kinds of values.
const (
	Table Kind = iota
	Array
	String
	Integer
	Float
	Bool
	Date
	Broken // what follows a key is not TOML; already reported
)

// Entry finds a key of a table, nil if it is not there.
func (v *Value) Entry(key string) *Entry {
	if i, ok := v.index[key]; ok {
		return &v.Entries[i]
	}
	return nil
}

func (v *Value) add(key string, at Span, value *Value) {
	if v.index == nil {
		v.index = map[string]int{}
	}
	v.index[key] = len(v.Entries)
	v.Entries = append(v.Entries, Entry{key, at, value})
}

// reader builds the tree of a document in one pass, and continues after a line that is
// not TOML.
type reader struct {
	*Document
	lists  []string // tables that are written in double brackets
	parser unstable.Parser
	base   int    // offset in the text at which the parser was started
	table  *Value // the table that receives keys
}

func (d *Document) walk(lists []string) {
	r := &reader{Document: d, lists: lists, table: d.Root}
	for r.base < len(r.Text) && len(r.Problems) <= MaxProblems {
		r.parser.Reset(r.Text[r.base:])
		for r.parser.NextExpression() {
			r.expression(r.parser.Expression())
		}
		err := r.parser.Error()
		if err == nil {
			break
		}
		r.recover(err)
	}
}

// recover reports a syntax error and moves to where reading can continue: the next line
// or, if a table's header is broken, the next header.
func (r *reader) recover(err error) {
	at := Span{r.base, 1}
	message := err.Error()
	if e := (*unstable.ParserError)(nil); errors.As(err, &e) {
		message = e.Message
		data := r.parser.Data()
		if from := cap(data) - cap(e.Highlight); e.Highlight != nil && from >= 0 && from+len(e.Highlight) <= len(data) {
			at = Span{r.base + from, len(e.Highlight)}
		}
	}
	number := r.LineOf(at.From)
	line := r.line(number)
	key, _, isKey := strings.Cut(line, "=")
	key = strings.TrimSpace(key)
	header := strings.HasPrefix(key, "[")
	if isKey && !header && r.table.Entry(key) == nil {
		r.table.add(key, at, &Value{Kind: Broken, At: at})
	}
	problem := r.explainSyntax(message, line)
	if !isKey || header || !IsBareKey(key) {
		key = ""
	}
	problem.Key = key
	r.Report(at, problem)

	r.base = len(r.Text)
	if number < len(r.starts) {
		r.base = r.starts[number]
	}
	for header && r.base < len(r.Text) {
		number = r.LineOf(r.base)
		if strings.HasPrefix(strings.TrimSpace(r.line(number)), "[") {
			break
		}
		r.base = len(r.Text)
		if number < len(r.starts) {
			r.base = r.starts[number]
		}
	}
}

func IsBareKey(s string) bool {
	return s != "" && strings.Trim(s, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-") == ""
}

func (r *reader) spanOf(raw unstable.Range) Span {
	return Span{r.base + int(raw.Offset), int(raw.Length)}
}

func (r *reader) expression(n *unstable.Node) {
	switch n.Kind {
	case unstable.KeyValue:
		r.keyValue(r.table, n)
	case unstable.Table, unstable.ArrayTable:
		r.header(n)
	}
}

// keyPart is one part of a dotted key.
type keyPart struct {
	text string
	at   Span
}

func (r *reader) keyOf(n *unstable.Node) []keyPart {
	var parts []keyPart
	for it := n.Key(); it.Next(); {
		parts = append(parts, keyPart{string(it.Node().Data), r.spanOf(it.Node().Raw)})
	}
	return parts
}

// header opens the table of a [name] or [[name]] line.
func (r *reader) header(n *unstable.Node) {
	parts := r.keyOf(n)
	last := parts[len(parts)-1]
	at := Span{parts[0].at.From, last.at.From + last.at.Length - parts[0].at.From}
	name := joined(parts)
	list := n.Kind == unstable.ArrayTable
	for _, l := range r.lists {
		if l == name && !list {
			r.Report(at, Problem{Key: "[" + name + "]", Found: "single brackets", Accepted: "[[" + name + "]]"})
			list = true
		}
	}
	fresh := &Value{At: at}
	r.table = fresh
	parent := r.descend(r.Root, parts[:len(parts)-1])
	if parent == nil {
		return
	}
	known := parent.Entry(last.text)
	switch {
	case known == nil && list:
		parent.add(last.text, at, &Value{Kind: Array, At: at, Items: []*Value{fresh}})
	case known == nil:
		parent.add(last.text, at, fresh)
	case list && known.Value.Kind == Array:
		known.Value.Items = append(known.Value.Items, fresh)
	default:
		r.twice(name, at, known.At)
	}
}

func joined(parts []keyPart) string {
	words := make([]string, len(parts))
	for i, p := range parts {
		words[i] = p.text
	}
	return strings.Join(words, ".")
}

func (r *reader) twice(key string, at, first Span) {
	r.Report(at, Problem{Key: key, Found: "given twice", Hint: "it is on line " + strconv.Itoa(r.LineOf(first.From)) + " already"})
}

// descend returns a table below another, and makes the missing tables on the way; nil
// after a conflict, which it reports.
func (r *reader) descend(t *Value, parts []keyPart) *Value {
	for _, part := range parts {
		known := t.Entry(part.text)
		if known == nil {
			next := &Value{At: part.at}
			t.add(part.text, part.at, next)
			t = next
			continue
		}
		switch v := known.Value; {
		case v.Kind == Table:
			t = v
		case v.Kind == Array && len(v.Items) > 0 && v.Items[len(v.Items)-1].Kind == Table:
			t = v.Items[len(v.Items)-1]
		default:
			r.twice(part.text, part.at, known.At)
			return nil
		}
	}
	return t
}

func (r *reader) keyValue(t *Value, n *unstable.Node) {
	parts := r.keyOf(n)
	last := parts[len(parts)-1]
	value := r.value(n.Value(), r.afterEquals(last.at))
	if t = r.descend(t, parts[:len(parts)-1]); t == nil {
		return
	}
	if known := t.Entry(last.text); known != nil {
		r.twice(last.text, last.at, known.At)
		return
	}
	t.add(last.text, last.at, value)
}

// afterEquals finds the start of the value that follows a key: the parser
// gives no place for an array.
func (r *reader) afterEquals(key Span) Span {
	from := key.From + key.Length
	if i := bytes.IndexByte(r.Text[from:], '='); i >= 0 {
		from += i + 1
		from += len(r.Text[from:]) - len(bytes.TrimLeft(r.Text[from:], " \t"))
	}
	return Span{from, 1}
}

func (r *reader) value(n *unstable.Node, at Span) *Value {
	if n.Raw.Length > 0 {
		at = r.spanOf(n.Raw)
	}
	v := &Value{At: at, Raw: string(n.Data)}
	digits := strings.ReplaceAll(v.Raw, "_", "")
	switch n.Kind {
	case unstable.String:
		v.Kind, v.Text = String, v.Raw
	case unstable.Bool:
		v.Kind = Bool
		if v.Raw == "true" {
			v.Number = 1
		}
	case unstable.Integer:
		v.Kind = Integer
		whole, err := strconv.ParseInt(digits, 0, 64)
		v.Number = float64(whole)
		if err != nil { // beyond 64 bits: no key takes that
			v.Number, _ = strconv.ParseFloat(digits, 64)
		}
	case unstable.Float:
		v.Kind = Float
		v.Number, _ = strconv.ParseFloat(digits, 64) // beyond the range: ±Inf
	case unstable.Array:
		v.Kind = Array
		for it := n.Children(); it.Next(); {
			v.Items = append(v.Items, r.value(it.Node(), at))
		}
	case unstable.InlineTable:
		for it := n.Children(); it.Next(); {
			r.keyValue(v, it.Node())
		}
	default:
		v.Kind = Date
	}
	return v
}
