package chain

import (
	"bytes"
	"fmt"
	"strings"
)

// Reference returns the reference page of the chain file, in Markdown.
func Reference() []byte {
	var b bytes.Buffer
	fmt.Fprintf(&b, `# The chain file

A chain file is TOML text in UTF-8. The sound passes its stages from top to
bottom. This page is generated from the tables that check the file.

| key | meaning |
|---|---|
| `+"`schema`"+` | %d: the version of this format; required |
| `+"`name`, `notes`"+` | text about the chain; optional |
| `+"`[[stage]]`"+` | one table for each stage, up to %d |

Every stage has these keys, beside those of its kind:

| key | meaning |
|---|---|
| `+"`kind`"+` | one of the kinds below; required |
| `+"`name`"+` | what traces and messages call it, each name once; default: its kind, numbered if there are several |
| `+"`enabled`"+` | `+"`false`"+` leaves the stage out; default `+"`true`"+` |

Every key carries its unit. Numbers are written bare: `+"`-18`"+` and `+"`-18.0`"+` are the
same, `+"`\"-18 dBFS\"`"+` and `+"`-18,0`"+` are refused, and so are NaN and infinity. A key that is
unknown, given twice, of another kind or in capital letters is an error. All
errors of a file are reported at once; a file with an error is not used.

A frequency must also lie below half the rate of the sound, and a channel must
be one that the sound has: that is checked for each sound.

dBFS is peak dBFS: a full-scale sine peaks at 0 dBFS, and an RMS detector reads
−3.01 dBFS on it. Times of attack and release are time constants: 63.2 %% of the
change in dB.
`, Schema, MaxStages)
	for _, k := range allKinds() {
		fmt.Fprintf(&b, "\n## %s\n\n%s\n\n%s\n\n", k.Name, k.Summary, k.Trap)
		table(&b, k.Fields)
		if k.Bands != nil {
			fmt.Fprintf(&b, "\nEach band, up to %d, is a `[[stage.band]]` table with:\n\n", MaxBands)
			table(&b, k.Bands)
		}
	}
	b.WriteString("\n## Units and terms\n\n| word | meaning | document | trap |\n|---|---|---|---|\n")
	for _, t := range terms() {
		fmt.Fprintf(&b, "| %s | %s | %s | %s |\n", t.Word, cell(t.Meaning), cell(t.Document), cell(t.Trap))
	}
	b.WriteString("\n## The starter chain\n\n```toml\n")
	b.Write(Starter())
	b.WriteString("```\n")
	return b.Bytes()
}

func table(b *bytes.Buffer, fields []Field) {
	b.WriteString("| key | accepted | default | meaning | source | trap |\n|---|---|---|---|---|---|\n")
	for _, f := range fields {
		preset := "required"
		if f.Default != "" {
			preset = "`" + f.Default + "`"
		}
		switch {
		case f.Instead != "" && f.Default == "":
			preset = "instead of `" + f.Instead + "`"
		case f.Instead != "":
			preset += ", unless `" + f.Instead + "` is given"
		}
		if f.When != nil {
			preset += ", with `" + f.When.Key + "` " + strings.Join(f.When.Words, ", ") + " only"
		}
		fmt.Fprintf(b, "| `%s` | %s | %s | %s | %s | %s |\n", f.Key, cell(f.Accepted()), preset, cell(f.Help), cell(f.Source), cell(f.Trap))
	}
}

// cell makes text safe in a Markdown table.
func cell(s string) string { return strings.ReplaceAll(s, "|", `\|`) }
