package chain

import (
	"fmt"
	"strings"
)

// Reference returns the reference of the chain file, in Markdown, made from
// the tables.
func Reference() []byte {
	var b strings.Builder
	b.WriteString(`# The chain file

Made from the tables of package chain: boothbench explain --reference.

A chain file is TOML in UTF-8. At its top stand ` + "`schema = 1`" + ` and, if wanted,
` + "`name`" + ` and ` + "`notes`" + ` (texts). Each stage is a ` + "`[[stage]]`" + ` with its ` + "`kind`" + `, in the
order in which the sound passes; ` + "`name`" + ` (a text) and ` + "`enabled`" + ` (true or false) may
stand in any stage. Unknown keys, values out of range and keys given twice are
errors; all of them are reported at once.
`)
	for _, t := range kinds() {
		fmt.Fprintf(&b, "\n## %s\n\n%s.\n\n", t.name, upper(t.summary))
		t.referenceRows(&b)
		if t.bands != nil {
			fmt.Fprintf(&b, "\nEach `[[stage.band]]`:\n\n")
			t.bands.referenceRows(&b)
		}
	}
	b.WriteString("\n## Words\n\n")
	for _, t := range terms {
		fmt.Fprintf(&b, "- **%s**: %s. Source: %s. Trap: %s.\n", t.names[0], t.meaning, t.source, t.avoid)
	}
	return []byte(b.String())
}

func (t *table) referenceRows(b *strings.Builder) {
	b.WriteString("| key | accepted | default | meaning | source |\n|---|---|---|---|---|\n")
	for _, f := range t.fields {
		preset := "none"
		switch {
		case f.required:
			preset = "must be given"
		case f.preset != nil:
			preset = literal(f.preset)
		}
		fmt.Fprintf(b, "| `%s` | %s | %s | %s | %s |\n", f.key, f.accepted(), preset, f.help, f.source)
	}
}

func upper(s string) string { return strings.ToUpper(s[:1]) + s[1:] }
