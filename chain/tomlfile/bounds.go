package tomlfile

import (
	"fmt"
	"strings"
)

// Bounds are the limits of a number, written as { min = …, max = … } or { target = …,
// tolerance = … }.
type Bounds struct {
	Min, Max *float64 // inclusive; nil: none
}

const acceptedBounds = "{ min = …, max = … }, or { target = …, tolerance = … }, in the unit that the name ends in"

// Bounds reads the bounds of a number from an entry, and reports those that are not
// usable. It ignores the keys of the table that are named in others.
func (d *Document) Bounds(e Entry, others ...string) (Bounds, bool) {
	if e.Value.Kind != Table {
		hint := ""
		if e.Value.Kind == Integer || e.Value.Kind == Float {
			hint = "say which: { max = " + e.Value.Raw + " } or { min = " + e.Value.Raw + " }"
		}
		d.WrongType(e.Key, e.Value, acceptedBounds, hint)
		return Bounds{}, false
	}
	given, usable := map[string]*float64{}, true
	for _, part := range e.Value.Entries {
		usable = d.bound(e.Key, part, given, others) && usable
	}
	if !usable {
		return Bounds{}, false
	}
	b := Bounds{given["min"], given["max"]}
	target, tolerance := given["target"], given["tolerance"]
	switch {
	case target != nil && tolerance != nil && b.Min == nil && b.Max == nil:
		low, high := *target-*tolerance, *target+*tolerance
		if low-low != 0 || high-high != 0 {
			d.Report(e.Value.At, Problem{Key: e.Key, Found: "a target and a tolerance that are too large to add", Accepted: acceptedBounds})
			return Bounds{}, false
		}
		b = Bounds{&low, &high}
	case b.Min != nil && b.Max != nil && *b.Min > *b.Max:
		d.Report(e.Value.At, Problem{Key: e.Key, Found: fmt.Sprintf("min %g is above max %g: nothing lies between", *b.Min, *b.Max),
			Hint: fmt.Sprintf("did you mean { min = %g, max = %g }?", *b.Max, *b.Min)})
		return Bounds{}, false
	case target != nil || tolerance != nil, b.Min == nil && b.Max == nil:
		d.Report(e.Value.At, Problem{Key: e.Key, Found: "no usable limit", Accepted: acceptedBounds})
		return Bounds{}, false
	}
	return b, true
}

// bound reads one key of the table.
func (d *Document) bound(name string, part Entry, given map[string]*float64, others []string) bool {
	for _, other := range others {
		if part.Key == other {
			return true
		}
	}
	switch part.Key {
	case "min", "max", "target", "tolerance":
	default:
		d.Unknown(part, append([]string{"min", "max", "target", "tolerance"}, others...), "")
		return false
	}
	v, ok := d.Number(Entry{Key: name + "." + part.Key, Value: part.Value})
	if ok && part.Key == "tolerance" && v < 0 {
		d.Report(part.Value.At, Problem{Key: name + ".tolerance", Found: "found " + part.Value.Raw, Accepted: "0 or more"})
		return false
	}
	given[part.Key] = &v
	return ok
}

// Number returns the finite number of an entry; it reports any other value.
func (d *Document) Number(e Entry) (float64, bool) {
	v := e.Value.Number
	if e.Value.Kind != Integer && e.Value.Kind != Float {
		d.WrongType(e.Key, e.Value, "a number", "")
		return 0, false
	}
	if v-v != 0 {
		d.Report(e.Value.At, Problem{Key: e.Key, Found: "found " + e.Value.Raw, Accepted: "a finite number"})
		return 0, false
	}
	return v, true
}

// Unknown reports an unknown key, with the key that was probably meant. together
// describes all accepted keys where a list of them would be long.
func (d *Document) Unknown(e Entry, accepted []string, together string) {
	p := Problem{Key: e.Key, Found: "unknown key", Accepted: together}
	if together == "" {
		p.Accepted = strings.Join(accepted, ", ")
	}
	if near := Nearest(e.Key, accepted); near != "" {
		p.Hint = "did you mean " + near + "?"
	}
	d.Report(e.At, p)
}

// AtLeastOne reports a required list of tables that is missing or empty.
func (d *Document) AtLeastOne(list, accepted string) {
	e := d.Root.Entry(list)
	switch {
	case e == nil:
		d.Report(Span{}, Problem{Key: list, Found: "missing", Accepted: accepted})
	case e.Value.Kind == Array && len(e.Value.Items) == 0:
		d.Report(e.Value.At, Problem{Key: list, Found: "an empty list", Accepted: accepted})
	}
}

// Tables calls read for each table of a list in double brackets; it reports any other
// value.
func (d *Document) Tables(e Entry, read func(*Value)) {
	what := "[[" + e.Key + "]] tables"
	if e.Value.Kind != Array {
		d.WrongType(e.Key, e.Value, what, "")
		return
	}
	for _, item := range e.Value.Items {
		if item.Kind != Table {
			d.WrongType(e.Key, item, what, "")
			continue
		}
		read(item)
	}
}
