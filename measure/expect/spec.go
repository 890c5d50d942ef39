package expect

import (
	_ "embed"
	"fmt"
	"slices"
	"strings"
	"sync"

	"github.com/boothbench/boothbench/chain/tomlfile"
	"github.com/boothbench/boothbench/measure"
)

// Spec is a delivery specification: limits with the document that sets them.
type Spec struct {
	Name     string // in limits files: "ebu-r128"
	For      string // what it is for
	Document string
	Edition  string
	Status   string // "standard", "recommendation", "common practice, no source"
	Note     string
	Limits   []measure.Limit
}

//go:embed specs.toml
var specsText []byte

// Specs are the built-in specifications.
func Specs() []Spec { return builtIn() }

var readBuiltIn = sync.OnceValue(func() []Spec {
	file, err := tomlfile.Read("specs.toml", "a limits file", specsText, "spec")
	if err == nil {
		d := &decoder{file, &Limits{}}
		d.readSpecs()
		if err = file.Err(); err == nil {
			return d.limits.Specs
		}
	}
	panic(err) // the file is part of the program, and a test reads it
})

func builtIn() []Spec { return slices.Clone(readBuiltIn()) }

// SpecNamed is a built-in specification, by its name.
func SpecNamed(name string) (Spec, error) {
	var names []string
	for _, s := range builtIn() {
		if s.Name == name {
			return s, nil
		}
		names = append(names, s.Name)
	}
	hint := ""
	if near := tomlfile.Nearest(name, names); near != "" {
		hint = fmt.Sprintf("; did you mean %q?", near)
	}
	return Spec{}, fmt.Errorf("no specification %q; accepted: %s%s", name, strings.Join(names, ", "), hint)
}

// Limit is the specification's limit of a reading.
func (s Spec) Limit(reading string) (measure.Limit, bool) {
	for _, l := range s.Limits {
		if l.Reading == reading {
			return l, true
		}
	}
	return measure.Limit{}, false
}

// readSpecs reads the [[spec]] tables.
func (d *decoder) readSpecs() {
	if e := d.Root.Entry("spec"); e != nil {
		d.Tables(*e, func(t *tomlfile.Value) {
			s := d.spec(t)
			if slices.ContainsFunc(d.limits.Specs, func(other Spec) bool { return other.Name == s.Name }) {
				d.Report(t.At, tomlfile.Problem{Key: "name", Found: tomlfile.Quote(s.Name) + " is also the name of another specification", Hint: "choose a different name"})
			}
			d.limits.Specs = append(d.limits.Specs, s)
		})
	}
}

var specKeys = []string{"name", "for", "document", "edition", "status", "note"}

func (d *decoder) spec(t *tomlfile.Value) Spec {
	var s Spec
	texts := map[string]*string{"name": &s.Name, "for": &s.For, "document": &s.Document, "edition": &s.Edition, "status": &s.Status, "note": &s.Note}
	for _, e := range t.Entries {
		if text, ok := texts[e.Key]; ok {
			*text = d.String(e)
		} else if l, ok := d.limit(e, specKeys); ok {
			s.Limits = append(s.Limits, l)
		}
	}
	for _, key := range []string{"name", "document", "status"} {
		if t.Entry(key) == nil || t.Entry(key).Value.Kind == tomlfile.String && *texts[key] == "" {
			d.Report(t.At, tomlfile.Problem{Key: key, Found: "missing", Accepted: "a string; a specification states its name, its document and its status"})
		}
	}
	for i := range s.Limits {
		s.Limits[i].Source = strings.TrimSuffix(s.Name+": "+s.Limits[i].Source, ": ")
	}
	return s
}

// specified is the limits of the specification that an entry names.
func (d *decoder) specified(e tomlfile.Entry) []measure.Limit {
	name := d.String(e)
	var names []string
	for _, s := range d.limits.Specs {
		if s.Name == name {
			return s.Limits
		}
		names = append(names, s.Name)
	}
	if name != "" {
		p := tomlfile.Problem{Key: "spec", Found: "no specification " + tomlfile.Quote(name), Accepted: "one of those that boothbench specs lists, or of a [[spec]] in this file"}
		if near := tomlfile.Nearest(name, names); near != "" {
			p.Hint = "did you mean " + tomlfile.Quote(near) + "?"
		}
		d.Report(e.Value.At, p)
	}
	return nil
}
