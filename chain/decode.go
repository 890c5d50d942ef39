package chain

import (
	"fmt"

	"github.com/boothbench/boothbench/chain/tomlfile"
	"github.com/boothbench/boothbench/dsp"
)

// decoder turns the tree of a chain file into stages, with the tables of kinds.
type decoder struct {
	*tomlfile.Document
	kinds []Kind
}

// Keys outside the kinds' tables.
var (
	topKeys    = []string{"schema", "name", "notes", "stage"}
	commonKeys = []string{"kind", "name", "enabled"}
)

func (d *decoder) top(c *Chain) {
	d.Schema(Schema)
	for _, e := range d.Root.Entries {
		switch e.Key {
		case "schema":
		case "name":
			c.Name = d.String(e)
		case "notes":
			c.Notes = d.String(e)
		case "stage":
			d.stages(c, e)
		default:
			d.unknown(e, topKeys, "the top of the file", nil)
		}
	}
}

func (d *decoder) stages(c *Chain, e tomlfile.Entry) {
	list := e.Value
	if list.Kind == tomlfile.Table { // keys such as stage.kind, or [[stage.band]] alone
		d.Report(e.At, tomlfile.Problem{Key: "stage", Found: "no [[stage]] line before this", Accepted: "[[stage]] before the keys of a stage"})
		return
	}
	if list.Kind != tomlfile.Array {
		d.WrongType("stage", list, "[[stage]] tables", "")
		return
	}
	if len(list.Items) > MaxStages {
		d.Report(list.Items[MaxStages].At, tomlfile.Problem{Key: "stage", Found: fmt.Sprintf("%d stages", len(list.Items)), Accepted: fmt.Sprintf("up to %d", MaxStages)})
		return
	}
	for _, item := range list.Items {
		if item.Kind != tomlfile.Table {
			d.WrongType("stage", item, "[[stage]] tables", "")
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

// names reports names that occur twice.
func (d *decoder) names(stages []Stage) {
	first := map[string]int{}
	for i, s := range stages {
		if other := first[s.Name]; other > 0 && s.Name != "" {
			at, given := s.given["name"]
			if !given {
				at = s.at
			}
			d.Report(at, tomlfile.Problem{Key: "name", Found: fmt.Sprintf("%s is also the name of stage %d", tomlfile.Quote(s.Name), other), Hint: "give each stage a different name"})
		}
		first[s.Name] = i + 1
	}
}

func (d *decoder) stage(t *tomlfile.Value) Stage {
	s := Stage{Enabled: true, Line: d.LineOf(t.At.From), at: t.At, given: map[string]tomlfile.Span{}}
	if e := t.Entry("enabled"); e != nil && e.Value.Kind != tomlfile.Broken {
		if s.Enabled = e.Value.Number == 1; e.Value.Kind != tomlfile.Bool {
			d.WrongType("enabled", e.Value, "true or false", "")
		}
	}
	if e := t.Entry("name"); e != nil {
		s.Name = d.String(*e)
		s.given["name"] = e.Value.At
	}
	k := d.kind(t)
	if k == nil {
		d.keysOfNoKind(t)
		return s
	}
	s.Kind = k.Name
	s.given["kind"] = t.Entry("kind").Value.At
	settings := k.fresh()
	accepted := append(append([]string(nil), commonKeys...), keysOf(k.Fields)...)
	if k.Bands != nil {
		accepted = append(accepted, "band")
	}
	before := len(d.Problems)
	d.fields(t, k.Fields, k.Former, settings, accepted, owner(k.Name), "", s.given)
	if k.Bands != nil {
		d.bands(t, k, settings, s.given)
	}
	s.Settings = k.settled(settings)
	if k.rule != nil && len(d.Problems) == before {
		if key, found, accepted := k.rule(s.Settings); key != "" {
			at, ok := s.given[key]
			if !ok {
				at = t.At
			}
			d.Report(at, tomlfile.Problem{Key: key, Found: found, Accepted: accepted})
		}
	}
	return s
}

// kind finds the table of a stage's kind, or reports and returns nil.
func (d *decoder) kind(t *tomlfile.Value) *Kind {
	accepted := quoted(kindNames(d.kinds), ", ")
	e := t.Entry("kind")
	switch {
	case e == nil:
		d.Report(t.At, tomlfile.Problem{Key: "kind", Found: "missing", Accepted: accepted})
		return nil
	case e.Value.Kind == tomlfile.Broken:
		return nil
	case e.Value.Kind != tomlfile.String:
		d.WrongType("kind", e.Value, accepted, "")
		return nil
	}
	k := kindNamed(d.kinds, e.Value.Text)
	if k == nil {
		p := tomlfile.Problem{Key: "kind", Found: "unknown kind " + tomlfile.Quote(e.Value.Text), Accepted: accepted}
		if near := probableKind(d.kinds, e.Value.Text); near != "" {
			p.Hint = "did you mean \"" + near + "\"?"
		}
		d.Report(e.Value.At, p)
	}
	return k
}

// keysOfNoKind reports keys that no kind has.
func (d *decoder) keysOfNoKind(t *tomlfile.Value) {
	known := append([]string{"band"}, commonKeys...)
	for _, k := range d.kinds {
		known = append(known, keysOf(k.Fields)...)
	}
	for _, e := range t.Entries {
		if d.Full() {
			return // the rest would not be shown
		}
		if !contains(known, e.Key) {
			p := tomlfile.Problem{Key: e.Key, Found: "unknown key", Hint: "no kind of stage has it"}
			if near := tomlfile.Nearest(e.Key, known); near != "" {
				p.Hint = "did you mean " + near + "?"
			}
			d.Report(e.At, p)
		}
	}
}

func (d *decoder) bands(t *tomlfile.Value, k *Kind, settings any, given map[string]tomlfile.Span) {
	e := t.Entry("band")
	switch {
	case e == nil:
		d.Report(t.At, tomlfile.Problem{Key: "band", Found: "an equaliser without bands", Accepted: "a [[stage.band]] table for each band"})
		return
	case e.Value.Kind != tomlfile.Array:
		d.WrongType("band", e.Value, "[[stage.band]] tables", "")
		return
	case len(e.Value.Items) > MaxBands:
		d.Report(e.Value.Items[MaxBands].At, tomlfile.Problem{Key: "band", Found: fmt.Sprintf("%d bands", len(e.Value.Items)), Accepted: fmt.Sprintf("up to %d", MaxBands)})
		return
	case len(e.Value.Items) == 0:
		d.Report(e.Value.At, tomlfile.Problem{Key: "band", Found: "an equaliser without bands", Accepted: "a [[stage.band]] table for each band"})
	}
	for i, item := range e.Value.Items {
		if item.Kind != tomlfile.Table {
			d.WrongType("band", item, "[[stage.band]] tables", "")
			continue
		}
		var b dsp.Band
		d.fields(item, k.Bands, nil, &b, keysOf(k.Bands), owner("band"), bandPrefix(i), given)
		k.addBand(settings, b)
	}
}
