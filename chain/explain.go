package chain

import (
	"fmt"
	"sort"
	"strings"
)

// Explain says what a stage kind, a key, a unit or a term means. For a word
// that it does not know it returns what may be meant, and false.
func Explain(word string) (string, bool) {
	word = strings.ToLower(strings.TrimSpace(word))
	var parts []string
	if t := tableOf(word); t != nil {
		parts = append(parts, t.explain())
	}
	if word == "band" {
		parts = append(parts, equaliser().bands.explain())
	}
	if text := explainKey(word); text != "" {
		parts = append(parts, text)
	}
	for _, t := range terms {
		for _, name := range t.names {
			if strings.ToLower(name) == word {
				parts = append(parts, t.explain())
			}
		}
	}
	if len(parts) > 0 {
		return strings.Join(parts, "\n"), true
	}
	known := words()
	text := fmt.Sprintf("%q is not known", word)
	if near := Nearest(word, known); near != "" {
		text += "; did you mean " + near + "?"
	}
	return text + "; known: " + strings.Join(known, ", "), false
}

// words lists what Explain knows.
func words() []string {
	set := map[string]bool{"band": true}
	for _, t := range kinds() {
		set[t.name] = true
		for _, key := range t.keys() {
			set[key] = true
		}
		if t.bands != nil {
			for _, key := range t.bands.keys() {
				set[key] = true
			}
		}
	}
	for _, t := range terms {
		for _, name := range t.names {
			set[strings.ToLower(name)] = true
		}
	}
	var list []string
	for w := range set {
		list = append(list, w)
	}
	sort.Strings(list)
	return list
}

func (t *table) explain() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s: %s\n", t.name, t.summary)
	for _, f := range t.fields {
		fmt.Fprintf(&b, "  %-22s %s; %s\n", f.key, f.accepted(), f.presetText())
		fmt.Fprintf(&b, "  %-22s %s\n", "", f.help)
	}
	if t.bands != nil {
		b.WriteString(t.bands.explain())
	}
	return b.String()
}

func (f *field) presetText() string {
	switch {
	case f.required:
		return "must be given"
	case f.preset == nil:
		return "optional"
	}
	return "default " + literal(f.preset)
}

// literal writes a preset as the file would.
func literal(v any) string {
	switch v := v.(type) {
	case float64:
		return plain(v)
	case string:
		return `"` + v + `"`
	}
	return fmt.Sprint(v)
}

// explainKey tells a key's meaning in each kind that has it.
func explainKey(key string) string {
	var b strings.Builder
	add := func(t *table) {
		f := t.field(key)
		if f == nil {
			return
		}
		if b.Len() == 0 {
			fmt.Fprintf(&b, "%s", key)
			if f.unit != "" {
				fmt.Fprintf(&b, " (%s)", f.unit)
			}
			b.WriteString("\n")
		}
		fmt.Fprintf(&b, "  in %s: %s\n", t.name, f.help)
		fmt.Fprintf(&b, "    accepted: %s; %s\n", f.accepted(), f.presetText())
		fmt.Fprintf(&b, "    source: %s\n", f.source)
	}
	for _, t := range kinds() {
		add(t)
		if t.bands != nil {
			add(t.bands)
		}
	}
	return b.String()
}
