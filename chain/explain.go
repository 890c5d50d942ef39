package chain

import (
	"fmt"
	"strings"

	"github.com/boothbench/boothbench/chain/tomlfile"
)

// Explain explains a stage kind, a chain-file key, a unit or a term: unit, range,
// default, source and the common mistake. For an unknown word it returns false and the
// nearest known words.
func Explain(word string) (string, bool) {
	asked := canonical(word)
	kinds := allKinds()
	var parts []string
	for _, k := range kinds {
		if canonical(k.Name) == asked {
			parts = append(parts, explainKind(k))
		}
	}
	if text := explainKey(kinds, asked); text != "" {
		parts = append(parts, text)
	}
	for _, t := range terms() {
		for _, w := range append([]string{t.Word}, t.Also...) {
			if canonical(w) == asked {
				parts = append(parts, explainTerm(t))
			}
		}
	}
	for _, k := range kinds {
		for _, w := range k.Also {
			if canonical(w) == asked && len(parts) == 0 {
				parts = append(parts, fmt.Sprintf("%s: here it is the kind of stage %q.\n\n", word, k.Name)+explainKind(k))
			}
		}
	}
	if len(parts) > 0 {
		return strings.Join(parts, "\n"), true
	}
	return explainUnknown(kinds, word), false
}

// canonical makes spellings comparable: case, spaces and hyphens do not count.
func canonical(word string) string {
	return underscores.Replace(strings.ToLower(strings.TrimSpace(word)))
}

var underscores = strings.NewReplacer(" ", "_", "-", "_")

func explainKind(k Kind) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n  %s\n  Trap: %s\n", k.Name, k.Summary, k.Trap)
	list := func(header string, fields []Field) {
		fmt.Fprintf(&b, "\n  %s\n", header)
		for _, f := range fields {
			fmt.Fprintf(&b, "    %-22s %s\n    %-22s %s\n", f.Key, f.Help, "", f.condition()+f.summary())
		}
	}
	list("[[stage]] kind = \""+k.Name+"\"", k.Fields)
	if k.Bands != nil {
		list("[[stage.band]]", k.Bands)
	}
	return b.String()
}

func (f Field) condition() string {
	if f.When == nil {
		return ""
	}
	return "with " + f.When.String() + ": "
}

// explainKey explains a key, once for all kinds in which it means the same.
func explainKey(kinds []Kind, asked string) string {
	type use struct {
		field Field
		kinds []string
	}
	var uses []*use
	add := func(where string, fields []Field) {
		for _, f := range fields {
			if canonical(f.Key) != asked {
				continue
			}
			same := -1
			for i, u := range uses {
				if u.field.Help == f.Help && u.field.summary() == f.summary() && u.field.Source == f.Source && u.field.Trap == f.Trap {
					same = i
				}
			}
			if same < 0 {
				uses, same = append(uses, &use{field: f}), len(uses)
			}
			uses[same].kinds = append(uses[same].kinds, where)
		}
	}
	for _, k := range kinds {
		add(k.Name, k.Fields)
		add(k.Name+" band", k.Bands)
	}
	if len(uses) == 0 {
		return ""
	}
	var b strings.Builder
	b.WriteString(uses[0].field.Key + "\n")
	for _, u := range uses {
		f := u.field
		fmt.Fprintf(&b, "  %s: %s\n", strings.Join(u.kinds, ", "), f.Help)
		fmt.Fprintf(&b, "    Accepted: %s\n", f.condition()+f.summary())
		fmt.Fprintf(&b, "    Source: %s\n", f.Source)
		if f.Trap != "" {
			fmt.Fprintf(&b, "    Trap: %s\n", f.Trap)
		}
	}
	return b.String()
}

func explainTerm(t term) string {
	return fmt.Sprintf("%s\n  %s\n  Document: %s\n  Trap: %s\n", t.Word, t.Meaning, t.Document, t.Trap)
}

func explainUnknown(kinds []Kind, word string) string {
	var known []string
	seen := map[string]bool{}
	add := func(words ...string) {
		for _, w := range words {
			if !seen[canonical(w)] {
				seen[canonical(w)] = true
				known = append(known, w)
			}
		}
	}
	add(kindNames(kinds)...)
	for _, k := range kinds {
		add(keysOf(k.Fields)...)
		add(keysOf(k.Bands)...)
	}
	for _, t := range terms() {
		add(t.Word)
		add(t.Also...)
	}
	if near := nearestFew(canonical(word), known); len(near) > 0 {
		return fmt.Sprintf("%q is not known; did you mean %s?\n", word, strings.Join(near, ", "))
	}
	return fmt.Sprintf("%q is not known; known are, among others: %s\n", word, strings.Join(kindNames(kinds), ", "))
}

// nearestFew lists up to three known words, the nearest first.
func nearestFew(word string, known []string) []string {
	var few []string
	rest := append([]string(nil), known...)
	for len(few) < 3 {
		w := tomlfile.Nearest(word, rest)
		if w == "" {
			break
		}
		few = append(few, w)
		kept := rest[:0]
		for _, r := range rest {
			if r != w {
				kept = append(kept, r)
			}
		}
		rest = kept
	}
	return few
}
