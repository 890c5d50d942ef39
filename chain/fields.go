package chain

import (
	"strconv"
	"strings"
)

// bandPrefix sets the keys of one band apart in Stage.given.
func bandPrefix(i int) string { return "band " + strconv.Itoa(i+1) + " " }

// owner is what keys belong to, in words.
type owner string

func (o owner) article() string {
	if strings.ContainsAny(string(o[:1]), "aeiou") {
		return "an " + string(o)
	}
	return "a " + string(o)
}

// fields reads a table's keys into settings, and puts defaults for the rest.
func (d *decoder) fields(t *tomlValue, fields []Field, settings any, accepted []string, o owner, prefix string, given map[string]span) {
	meant := map[string]bool{} // keys that are there in a wrong spelling
	for _, e := range t.entries {
		if !contains(accepted, e.key) {
			meant[d.unknown(e, accepted, o.article())] = true
		}
	}
	chosen := map[string]string{} // the words that conditions ask about
	broken := map[string]bool{}
	for _, f := range fields {
		if e := t.entry(f.Key); f.Type == Word {
			if chosen[f.Key] = f.preset().word; e != nil {
				chosen[f.Key] = e.value.text
			}
			broken[f.Key] = e != nil && !contains(f.Words, e.value.text) || e == nil && f.Default == ""
		}
	}
	for _, f := range fields {
		e := t.entry(f.Key)
		applies := f.When == nil || contains(f.When.Words, chosen[f.When.Key])
		doubtful := f.When != nil && broken[f.When.Key]
		switch {
		case e != nil && e.value.kind == tomlBroken:
		case e != nil && !applies && !doubtful:
			d.report(e.at, Problem{Key: f.Key, Found: "not used with " + f.When.Key + " = " + quote(chosen[f.When.Key]),
				Hint: "remove it, or write " + f.When.String()})
		case e != nil:
			v, ok := d.setting(f, e.value)
			if ok {
				f.put(settings, v)
			}
			given[prefix+f.Key] = e.value.at
		case f.Default != "":
			f.put(settings, f.preset())
		case applies && !doubtful && !meant[f.Key]:
			p := Problem{Key: f.Key, Found: "missing; " + o.article() + " needs it", Accepted: f.Accepted()}
			if f.When != nil {
				p.Found += " with " + f.When.Key + " = " + quote(chosen[f.When.Key])
			}
			d.report(t.at, p)
		}
	}
}

func contains(words []string, word string) bool {
	for _, w := range words {
		if w == word {
			return true
		}
	}
	return false
}

// unknown reports a key that its owner does not have, and returns the one
// that was probably meant.
func (d *decoder) unknown(e tomlEntry, accepted []string, where string) (meant string) {
	if len(d.problems) > maxProblems {
		return "" // it would not be shown
	}
	p := Problem{Key: e.key, Found: "unknown key", Accepted: strings.Join(accepted, ", ")}
	if !isBareKey(e.key) {
		p.Key = quote(e.key)
	}
	lower := strings.ToLower(e.key)
	owners := d.owners(e.key)
	switch {
	case len(owners) > 0:
		p.Found = "not a key of " + where
		p.Hint = "it belongs to " + strings.Join(owners, ", ")
	case contains(accepted, lower):
		meant = lower
		p.Hint = "keys are written in lower case: " + lower
	default:
		if meant = Nearest(e.key, accepted); meant == "" {
			meant = otherName(lower, accepted)
		}
		if meant != "" {
			p.Hint = "did you mean " + meant + "?"
		}
	}
	d.report(e.at, p)
	return meant
}

// owners lists the kinds that have a key.
func (d *decoder) owners(key string) []string {
	var owners []string
	for _, k := range d.kinds {
		if fieldNamed(k.Fields, key) != nil {
			owners = append(owners, k.Name)
		}
		if fieldNamed(k.Bands, key) != nil {
			owners = append(owners, "[[stage.band]] of "+k.Name)
		}
		if key == "band" && k.Bands != nil {
			owners = append(owners, k.Name)
		}
	}
	if contains(commonKeys, key) {
		owners = append(owners, "[[stage]]")
	}
	if contains(topKeys, key) && key != "name" {
		owners = append(owners, "the top of the file")
	}
	return owners
}
