// Package tomlfile reads TOML files that people write, such as chain files, so that every
// fault can be reported with its line and column, what was found and what is accepted. It
// does not know the keys of the files.
package tomlfile

import (
	"bytes"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2"
)

// MaxBytes is the size of the largest file.
const MaxBytes = 1 << 20

// Document is a TOML file as a tree of values, with its problems.
type Document struct {
	*Places
	Root     *Value
	Problems []Problem
}

// Read reads the text of a file. what is its kind in messages ("a chain file"); lists are
// the tables that are written in double brackets. The error is a *FileError for text that
// is not TOML at all. Faults in a part of the text are among the document's problems, and
// the rest of the document can be used.
func Read(path, what string, text []byte, lists ...string) (*Document, error) {
	whole := func(found, accepted, hint string) (*Document, error) {
		return nil, &FileError{path, []Problem{{Path: path, Found: found, Accepted: accepted, Hint: hint}}}
	}
	switch {
	case bytes.HasPrefix(text, []byte{0xFF, 0xFE}), bytes.HasPrefix(text, []byte{0xFE, 0xFF}):
		return whole("UTF-16 text", "UTF-8 text", "save the file as UTF-8")
	case bytes.IndexByte(text, 0) >= 0:
		return whole("not a text file", what+": TOML text", "")
	case len(text) > MaxBytes:
		return whole("larger than "+what+" may be", fmt.Sprintf("up to %d bytes", MaxBytes), "")
	}
	text = bytes.Clone(bytes.TrimPrefix(text, []byte("\uFEFF")))
	d := &Document{Places: NewPlaces(path, text), Root: &Value{}}
	d.walk(lists)
	return d, nil
}

// Err is a *FileError with all problems, nil if there is none.
func (d *Document) Err() error {
	if len(d.Problems) == 0 {
		// The pass does not check everything that TOML requires. The decoder does, so
		// that nothing is accepted that other readers refuse.
		var any map[string]any
		if err := toml.Unmarshal(d.Text, &any); err != nil {
			line, column := 1, 1
			if e := (*toml.DecodeError)(nil); errors.As(err, &e) {
				line, column = e.Position()
			}
			at := d.starts[min(line, len(d.starts))-1] + column - 1
			d.Report(Span{at, 1}, Problem{Found: "not TOML: " + strings.TrimPrefix(err.Error(), "toml: ")})
		}
	}
	return NewFileError(d.Path, d.Problems)
}

// Report adds a problem, at its place.
func (d *Document) Report(at Span, p Problem) {
	if !d.Full() {
		d.Problems = append(d.Problems, d.Point(at, p))
	}
}

// Full reports whether further problems would not be shown.
func (d *Document) Full() bool { return len(d.Problems) > MaxProblems }

// WrongType reports a value of a type that its key does not accept.
func (d *Document) WrongType(key string, v *Value, accepted, hint string) {
	if v.Kind != Broken {
		d.Report(v.At, Problem{Key: key, Found: "found " + v.shown(), Accepted: accepted, Hint: hint})
	}
}

// String returns the string of an entry; it reports any other value.
func (d *Document) String(e Entry) string {
	if e.Value.Kind == String {
		return e.Value.Text
	}
	d.WrongType(e.Key, e.Value, `a string in quotes: "…"`, "")
	return ""
}

// Schema checks the entry that states the version of the format.
func (d *Document) Schema(newest int) {
	accepted := fmt.Sprintf("schema = %d on the first line", newest)
	e := d.Root.Entry("schema")
	switch {
	case e == nil:
		d.Report(Span{0, 0}, Problem{Key: "schema", Found: "missing", Accepted: accepted})
	case e.Value.Kind == Broken || e.Value.Kind == Integer && e.Value.Number == float64(newest):
	case e.Value.Kind == Integer && e.Value.Number > float64(newest):
		d.Report(e.Value.At, Problem{Key: "schema", Found: "found " + e.Value.Raw + ", newer than this program", Accepted: accepted,
			Hint: fmt.Sprintf("get a newer program, or write the file in schema %d", newest)})
	default:
		d.Report(e.Value.At, Problem{Key: "schema", Found: "found " + e.Value.shown(), Accepted: accepted})
	}
}

// shown describes a value: its type and its spelling in the file.
func (v *Value) shown() string {
	switch v.Kind {
	case String:
		return "the string " + Quote(v.Text)
	case Bool:
		return "the value " + v.Raw
	case Array:
		return "a list"
	case Table:
		return "a table"
	case Date:
		return "the date or time " + v.Raw
	}
	return "the number " + v.Raw
}

// Quote puts a string in quotes, shortened.
func Quote(s string) string {
	if r := []rune(s); len(r) > 40 {
		s = string(r[:40]) + "…"
	}
	return strconv.Quote(s)
}
