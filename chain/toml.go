package chain

import (
	"bytes"
	"errors"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2/unstable"
)

// This file alone uses go-toml's unstable package, which gives positions but
// stands outside that module's version promise.

// tomlValue is a value of a TOML document and its place.
type tomlValue struct {
	kind    tomlKind
	at      span
	raw     string  // a number as written
	text    string  // a string, decoded
	number  float64 // a number or, as 1, true
	items   []*tomlValue
	entries []tomlEntry    // of a table, in order
	index   map[string]int // of the entries
}

type tomlEntry struct {
	key   string
	at    span
	value *tomlValue
}

type tomlKind int

const (
	tomlTable tomlKind = iota
	tomlArray
	tomlString
	tomlInteger
	tomlFloat
	tomlBool
	tomlDate
	tomlBroken // what follows a key is not TOML; already reported
)

func (v *tomlValue) entry(key string) *tomlEntry {
	if i, ok := v.index[key]; ok {
		return &v.entries[i]
	}
	return nil
}

func (v *tomlValue) add(key string, at span, value *tomlValue) {
	if v.index == nil {
		v.index = map[string]int{}
	}
	v.index[key] = len(v.entries)
	v.entries = append(v.entries, tomlEntry{key, at, value})
}

// tomlReader builds the tree of a document in one walk, and goes on after a
// line that is not TOML.
type tomlReader struct {
	*places
	parser   unstable.Parser
	base     int // where in the text the parser was started
	problems []Problem
	root     *tomlValue
	table    *tomlValue // the one that keys go into
}

// lists are the tables that stand in double brackets.
var lists = []string{"stage", "stage.band"}

func readTOML(p *places) (*tomlValue, []Problem) {
	r := &tomlReader{places: p, root: &tomlValue{}}
	r.table = r.root
	for r.base < len(r.text) && len(r.problems) <= maxProblems {
		r.parser.Reset(r.text[r.base:])
		for r.parser.NextExpression() {
			r.expression(r.parser.Expression())
		}
		err := r.parser.Error()
		if err == nil {
			break
		}
		r.recover(err)
	}
	return r.root, r.problems
}

func (r *tomlReader) report(at span, p Problem) {
	r.problems = append(r.problems, r.point(at, p))
}

// recover reports a syntax error and moves to where reading can go on: the
// next line or, when it is a table's header that is broken, the next header.
func (r *tomlReader) recover(err error) {
	at := span{from: r.base, length: 1}
	message := err.Error()
	if e := (*unstable.ParserError)(nil); errors.As(err, &e) {
		message = e.Message
		data := r.parser.Data()
		if from := cap(data) - cap(e.Highlight); e.Highlight != nil && from >= 0 && from+len(e.Highlight) <= len(data) {
			at = span{r.base + from, len(e.Highlight)}
		}
	}
	number := r.lineOf(at.from)
	line := r.line(number)
	key, _, isKey := strings.Cut(line, "=")
	key = strings.TrimSpace(key)
	header := strings.HasPrefix(key, "[")
	if isKey && !header && r.table.entry(key) == nil {
		r.table.add(key, at, &tomlValue{kind: tomlBroken, at: at})
	}
	problem := explainSyntax(message, line)
	if !isKey || header || !isBareKey(key) {
		key = ""
	}
	problem.Key = key
	r.report(at, problem)

	r.base = len(r.text)
	if number < len(r.starts) {
		r.base = r.starts[number]
	}
	for header && r.base < len(r.text) {
		number = r.lineOf(r.base)
		if strings.HasPrefix(strings.TrimSpace(r.line(number)), "[") {
			break
		}
		r.base = len(r.text)
		if number < len(r.starts) {
			r.base = r.starts[number]
		}
	}
}

func isBareKey(s string) bool {
	return s != "" && strings.Trim(s, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-") == ""
}

func (r *tomlReader) spanOf(raw unstable.Range) span {
	return span{r.base + int(raw.Offset), int(raw.Length)}
}

func (r *tomlReader) expression(n *unstable.Node) {
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
	at   span
}

func (r *tomlReader) keyOf(n *unstable.Node) []keyPart {
	var parts []keyPart
	for it := n.Key(); it.Next(); {
		parts = append(parts, keyPart{string(it.Node().Data), r.spanOf(it.Node().Raw)})
	}
	return parts
}

// header opens the table of a [name] or [[name]] line.
func (r *tomlReader) header(n *unstable.Node) {
	parts := r.keyOf(n)
	last := parts[len(parts)-1]
	at := span{parts[0].at.from, last.at.from + last.at.length - parts[0].at.from}
	name := joined(parts)
	list := n.Kind == unstable.ArrayTable
	for _, l := range lists {
		if l == name && !list {
			r.report(at, Problem{Key: "[" + name + "]", Found: "single brackets", Accepted: "[[" + name + "]]"})
			list = true
		}
	}
	fresh := &tomlValue{at: at}
	r.table = fresh
	parent := r.descend(r.root, parts[:len(parts)-1])
	if parent == nil {
		return
	}
	known := parent.entry(last.text)
	switch {
	case known == nil && list:
		parent.add(last.text, at, &tomlValue{kind: tomlArray, at: at, items: []*tomlValue{fresh}})
	case known == nil:
		parent.add(last.text, at, fresh)
	case list && known.value.kind == tomlArray:
		known.value.items = append(known.value.items, fresh)
	default:
		r.twice(name, at, known.at)
	}
}

func joined(parts []keyPart) string {
	words := make([]string, len(parts))
	for i, p := range parts {
		words[i] = p.text
	}
	return strings.Join(words, ".")
}

func (r *tomlReader) twice(key string, at, first span) {
	r.report(at, Problem{Key: key, Found: "given twice", Hint: "it stands in line " + strconv.Itoa(r.lineOf(first.from)) + " already"})
}

// descend walks to a table below another and makes what is missing on the way;
// nil after a conflict, which it reports.
func (r *tomlReader) descend(t *tomlValue, parts []keyPart) *tomlValue {
	for _, part := range parts {
		known := t.entry(part.text)
		if known == nil {
			next := &tomlValue{at: part.at}
			t.add(part.text, part.at, next)
			t = next
			continue
		}
		switch v := known.value; {
		case v.kind == tomlTable:
			t = v
		case v.kind == tomlArray && len(v.items) > 0 && v.items[len(v.items)-1].kind == tomlTable:
			t = v.items[len(v.items)-1]
		default:
			r.twice(part.text, part.at, known.at)
			return nil
		}
	}
	return t
}

func (r *tomlReader) keyValue(t *tomlValue, n *unstable.Node) {
	parts := r.keyOf(n)
	last := parts[len(parts)-1]
	value := r.value(n.Value(), r.afterEquals(last.at))
	if t = r.descend(t, parts[:len(parts)-1]); t == nil {
		return
	}
	if known := t.entry(last.text); known != nil {
		r.twice(last.text, last.at, known.at)
		return
	}
	t.add(last.text, last.at, value)
}

// afterEquals finds the start of the value that follows a key: the parser
// gives no place for an array.
func (r *tomlReader) afterEquals(key span) span {
	from := key.from + key.length
	if i := bytes.IndexByte(r.text[from:], '='); i >= 0 {
		from += i + 1
		from += len(r.text[from:]) - len(bytes.TrimLeft(r.text[from:], " \t"))
	}
	return span{from, 1}
}

func (r *tomlReader) value(n *unstable.Node, at span) *tomlValue {
	if n.Raw.Length > 0 {
		at = r.spanOf(n.Raw)
	}
	v := &tomlValue{at: at, raw: string(n.Data)}
	digits := strings.ReplaceAll(v.raw, "_", "")
	switch n.Kind {
	case unstable.String:
		v.kind, v.text = tomlString, v.raw
	case unstable.Bool:
		v.kind = tomlBool
		if v.raw == "true" {
			v.number = 1
		}
	case unstable.Integer:
		v.kind = tomlInteger
		whole, err := strconv.ParseInt(digits, 0, 64)
		v.number = float64(whole)
		if err != nil { // beyond 64 bits: no key takes that
			v.number, _ = strconv.ParseFloat(digits, 64)
		}
	case unstable.Float:
		v.kind = tomlFloat
		v.number, _ = strconv.ParseFloat(digits, 64) // beyond the range: ±Inf
	case unstable.Array:
		v.kind = tomlArray
		for it := n.Children(); it.Next(); {
			v.items = append(v.items, r.value(it.Node(), at))
		}
	case unstable.InlineTable:
		for it := n.Children(); it.Next(); {
			r.keyValue(v, it.Node())
		}
	default:
		v.kind = tomlDate
	}
	return v
}
