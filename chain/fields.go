package chain

import (
	"strconv"
	"strings"

	"github.com/boothbench/boothbench/chain/tomlfile"
)

// bandPrefix distinguishes the keys of one band in Stage.given.
func bandPrefix(i int) string { return "band " + strconv.Itoa(i+1) + " " }

// owner is the table that keys belong to, in words.
type owner string

func (o owner) article() string {
	if strings.ContainsAny(string(o[:1]), "aeiou") {
		return "an " + string(o)
	}
	return "a " + string(o)
}

// fields reads a table's keys into settings, and sets the defaults of the others.
func (d *decoder) fields(t *tomlfile.Value, fields []Field, former map[string]string, settings any, accepted []string, o owner, prefix string, given map[string]tomlfile.Span) {
	meant := map[string]bool{} // keys that are present in a wrong spelling
	for _, e := range t.Entries {
		if !contains(accepted, e.Key) {
			meant[d.unknown(e, accepted, o.article(), former)] = true
		}
	}
	chosen := map[string]string{} // the values of words, for conditions
	broken := map[string]bool{}
	for _, f := range fields {
		if e := t.Entry(f.Key); f.Type == Word {
			if chosen[f.Key] = f.preset().word; e != nil {
				chosen[f.Key] = e.Value.Text
			}
			broken[f.Key] = e != nil && !contains(f.Words, e.Value.Text) || e == nil && f.Default == ""
		}
	}
	for _, f := range fields {
		e := t.Entry(f.Key)
		applies := f.When == nil || contains(f.When.Words, chosen[f.When.Key])
		doubtful := f.When != nil && broken[f.When.Key]
		var other *tomlfile.Entry
		if f.Instead != "" {
			other = t.Entry(f.Instead)
		}
		switch {
		case e != nil && e.Value.Kind == tomlfile.Broken:
		case e != nil && other != nil && other.At.From < e.At.From:
			d.Report(e.At, tomlfile.Problem{Key: f.Key, Found: "given together with " + f.Instead, Hint: "remove one of the two"})
		case e != nil && !applies && !doubtful:
			d.Report(e.At, tomlfile.Problem{Key: f.Key, Found: "not used with " + f.When.Key + " = " + tomlfile.Quote(chosen[f.When.Key]),
				Hint: "remove it, or write " + f.When.String()})
		case e != nil:
			v, ok := d.setting(f, e.Value)
			if ok {
				f.put(settings, v)
			}
			given[prefix+f.Key] = e.Value.At
		case f.Instead != "" && (f.Default == "" || other != nil):
		case f.Default != "":
			f.put(settings, f.preset())
		case applies && !doubtful && !meant[f.Key]:
			p := tomlfile.Problem{Key: f.Key, Found: "missing; " + o.article() + " needs it", Accepted: f.Accepted()}
			if f.When != nil {
				p.Found += " with " + f.When.Key + " = " + tomlfile.Quote(chosen[f.When.Key])
			}
			d.Report(t.At, p)
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

// unknown reports a key that its owner does not have, and returns the key that was
// probably meant.
func (d *decoder) unknown(e tomlfile.Entry, accepted []string, where string, former map[string]string) (meant string) {
	if d.Full() {
		return "" // it would not be shown
	}
	p := tomlfile.Problem{Key: e.Key, Found: "unknown key", Accepted: strings.Join(accepted, ", ")}
	if !tomlfile.IsBareKey(e.Key) {
		p.Key = tomlfile.Quote(e.Key)
	}
	lower := strings.ToLower(e.Key)
	owners := d.owners(e.Key)
	switch {
	case former[e.Key] != "":
		p.Found, p.Hint = "no longer a key of "+where, "write "+former[e.Key]
	case len(owners) > 0:
		p.Found = "not a key of " + where
		p.Hint = "it belongs to " + strings.Join(owners, ", ")
	case contains(accepted, lower):
		meant = lower
		p.Hint = "keys are written in lower case: " + lower
	default:
		if meant = tomlfile.Nearest(e.Key, accepted); meant == "" {
			meant = otherName(lower, accepted)
		}
		if meant != "" {
			p.Hint = "did you mean " + meant + "?"
		}
	}
	d.Report(e.At, p)
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

// otherName finds the key that has another name elsewhere.
func otherName(word string, known []string) string {
	for _, start := range []string{"freq", "cutoff", "cut_off", "fc", "center"} {
		if strings.HasPrefix(word, start) {
			for _, k := range []string{"corner_hz", "centre_hz"} {
				if contains(known, k) {
					return k
				}
			}
		}
	}
	return ""
}
