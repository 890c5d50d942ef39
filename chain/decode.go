package chain

import (
	"errors"
	"fmt"
	"strings"

	"github.com/pelletier/go-toml/v2"

	"github.com/boothbench/boothbench/dsp"
)

// decoder turns the tree of a chain file into stages by the tables of kinds.
type decoder struct {
	*places
	kinds    []Kind
	problems []Problem
}

func decode(p *places) (*Chain, []Problem) {
	root, problems := readTOML(p)
	d := &decoder{places: p, kinds: Kinds(), problems: problems}
	c := &Chain{Path: p.path, Text: p.text}
	d.top(c, root)
	if len(d.problems) == 0 {
		// The walk does not check everything that TOML demands; the decoder
		// does, so that nothing is accepted that other readers refuse.
		var any map[string]any
		if err := toml.Unmarshal(p.text, &any); err != nil {
			line, column := 1, 1
			if e := (*toml.DecodeError)(nil); errors.As(err, &e) {
				line, column = e.Position()
			}
			at := p.starts[min(line, len(p.starts))-1] + column - 1
			d.report(span{at, 1}, Problem{Found: "not TOML: " + strings.TrimPrefix(err.Error(), "toml: ")})
		}
	}
	return c, d.problems
}

func (d *decoder) report(at span, p Problem) {
	if len(d.problems) <= maxProblems {
		d.problems = append(d.problems, d.point(at, p))
	}
}

// Keys outside the kinds' tables.
var (
	topKeys    = []string{"schema", "name", "notes", "stage"}
	commonKeys = []string{"kind", "name", "enabled"}
)

func (d *decoder) top(c *Chain, root *tomlValue) {
	d.schema(root)
	for _, e := range root.entries {
		switch e.key {
		case "schema":
		case "name":
			c.Name = d.text(e)
		case "notes":
			c.Notes = d.text(e)
		case "stage":
			d.stages(c, e)
		default:
			d.unknown(e, topKeys, "the top of the file")
		}
	}
}

func (d *decoder) schema(root *tomlValue) {
	const accepted = "schema = 1 on the first line"
	e := root.entry("schema")
	switch {
	case e == nil:
		d.report(span{0, 0}, Problem{Key: "schema", Found: "missing", Accepted: accepted})
	case e.value.kind == tomlBroken || e.value.kind == tomlInteger && e.value.number == Schema:
	case e.value.kind == tomlInteger && e.value.number > Schema:
		d.report(e.value.at, Problem{Key: "schema", Found: "found " + e.value.raw + ", newer than this program", Accepted: accepted,
			Hint: "get a newer program, or write the file in schema 1"})
	default:
		d.report(e.value.at, Problem{Key: "schema", Found: "found " + d.shown(e.value), Accepted: accepted})
	}
}

func (d *decoder) stages(c *Chain, e tomlEntry) {
	list := e.value
	if list.kind == tomlTable { // keys such as stage.kind, or [[stage.band]] alone
		d.report(e.at, Problem{Key: "stage", Found: "no [[stage]] line before this", Accepted: "[[stage]] ahead of the keys of a stage"})
		return
	}
	if list.kind != tomlArray {
		d.wrongType("stage", list, "[[stage]] tables", "")
		return
	}
	if len(list.items) > MaxStages {
		d.report(list.items[MaxStages].at, Problem{Key: "stage", Found: fmt.Sprintf("%d stages", len(list.items)), Accepted: fmt.Sprintf("up to %d", MaxStages)})
		return
	}
	for _, item := range list.items {
		if item.kind != tomlTable {
			d.wrongType("stage", item, "[[stage]] tables", "")
			continue
		}
		c.Stages = append(c.Stages, d.stage(item))
	}
	nameStages(c.Stages)
	d.names(c.Stages)
}

// nameStages names the stages that have no name by their kind, numbered where
// there are several.
func nameStages(stages []Stage) {
	count, seen := map[string]int{}, map[string]int{}
	for _, s := range stages {
		count[s.Kind]++
	}
	for i := range stages {
		s := &stages[i]
		if seen[s.Kind]++; s.Name == "" {
			if s.Name = s.Kind; count[s.Kind] > 1 {
				s.Name = fmt.Sprintf("%s %d", s.Kind, seen[s.Kind])
			}
		}
	}
}

// names reports names that come twice.
func (d *decoder) names(stages []Stage) {
	first := map[string]int{}
	for i, s := range stages {
		if other := first[s.Name]; other > 0 && s.Name != "" {
			at, given := s.given["name"]
			if !given {
				at = s.at
			}
			d.report(at, Problem{Key: "name", Found: fmt.Sprintf("%s is the name of stage %d too", quote(s.Name), other), Hint: "give each stage a name of its own"})
		}
		first[s.Name] = i + 1
	}
}

func (d *decoder) stage(t *tomlValue) Stage {
	s := Stage{Enabled: true, Line: d.lineOf(t.at.from), at: t.at, given: map[string]span{}}
	if e := t.entry("enabled"); e != nil && e.value.kind != tomlBroken {
		if s.Enabled = e.value.number == 1; e.value.kind != tomlBool {
			d.wrongType("enabled", e.value, "true or false", "")
		}
	}
	if e := t.entry("name"); e != nil {
		s.Name = d.text(*e)
		s.given["name"] = e.value.at
	}
	k := d.kind(t)
	if k == nil {
		d.keysOfNoKind(t)
		return s
	}
	s.Kind = k.Name
	s.given["kind"] = t.entry("kind").value.at
	settings := k.fresh()
	accepted := append(append([]string(nil), commonKeys...), keysOf(k.Fields)...)
	if k.Bands != nil {
		accepted = append(accepted, "band")
	}
	before := len(d.problems)
	d.fields(t, k.Fields, settings, accepted, owner(k.Name), "", s.given)
	if k.Bands != nil {
		d.bands(t, k, settings, s.given)
	}
	s.Settings = k.settled(settings)
	if k.rule != nil && len(d.problems) == before {
		if key, found, accepted := k.rule(s.Settings); key != "" {
			at, ok := s.given[key]
			if !ok {
				at = t.at
			}
			d.report(at, Problem{Key: key, Found: found, Accepted: accepted})
		}
	}
	return s
}

// kind finds the table of a stage's kind, or reports and returns nil.
func (d *decoder) kind(t *tomlValue) *Kind {
	accepted := quoted(kindNames(d.kinds), ", ")
	e := t.entry("kind")
	switch {
	case e == nil:
		d.report(t.at, Problem{Key: "kind", Found: "missing", Accepted: accepted})
		return nil
	case e.value.kind == tomlBroken:
		return nil
	case e.value.kind != tomlString:
		d.wrongType("kind", e.value, accepted, "")
		return nil
	}
	k := kindNamed(d.kinds, e.value.text)
	if k == nil {
		p := Problem{Key: "kind", Found: "unknown kind " + quote(e.value.text), Accepted: accepted}
		if near := Nearest(e.value.text, kindNames(d.kinds)); near != "" {
			p.Hint = "did you mean \"" + near + "\"?"
		}
		d.report(e.value.at, p)
	}
	return k
}

// keysOfNoKind reports keys that no kind has.
func (d *decoder) keysOfNoKind(t *tomlValue) {
	known := append([]string{"band"}, commonKeys...)
	for _, k := range d.kinds {
		known = append(known, keysOf(k.Fields)...)
	}
	for _, e := range t.entries {
		if len(d.problems) > maxProblems {
			return // the rest would not be shown
		}
		if !contains(known, e.key) {
			p := Problem{Key: e.key, Found: "unknown key", Hint: "no kind of stage has it"}
			if near := Nearest(e.key, known); near != "" {
				p.Hint = "did you mean " + near + "?"
			}
			d.report(e.at, p)
		}
	}
}

func (d *decoder) bands(t *tomlValue, k *Kind, settings any, given map[string]span) {
	e := t.entry("band")
	switch {
	case e == nil:
		d.report(t.at, Problem{Key: "band", Found: "an equaliser without bands", Accepted: "a [[stage.band]] table for each band"})
		return
	case e.value.kind != tomlArray:
		d.wrongType("band", e.value, "[[stage.band]] tables", "")
		return
	case len(e.value.items) > MaxBands:
		d.report(e.value.items[MaxBands].at, Problem{Key: "band", Found: fmt.Sprintf("%d bands", len(e.value.items)), Accepted: fmt.Sprintf("up to %d", MaxBands)})
		return
	case len(e.value.items) == 0:
		d.report(e.value.at, Problem{Key: "band", Found: "an equaliser without bands", Accepted: "a [[stage.band]] table for each band"})
	}
	for i, item := range e.value.items {
		if item.kind != tomlTable {
			d.wrongType("band", item, "[[stage.band]] tables", "")
			continue
		}
		var b dsp.Band
		d.fields(item, k.Bands, &b, keysOf(k.Bands), owner("band"), bandPrefix(i), given)
		k.addBand(settings, b)
	}
}
