package chain

import (
	"fmt"
	"strings"
)

// Starter returns a commented chain file with every key of the usual voice
// chain, made from the tables.
func Starter() []byte {
	var b strings.Builder
	b.WriteString(`# A voice chain. Stages run from top to bottom; every key carries its unit.
# Keys that are left out keep their defaults. What a word means:
#   boothbench explain compressor
# Set the two threshold_dbfs to your take before you trust the result.

schema = 1
name = "Voice"
notes = "High-pass, expander, compressor, equaliser, de-esser, limiter"
`)
	for _, kind := range []string{"highpass", "expander", "compressor", "equaliser", "de-esser", "limiter"} {
		t := tableOf(kind)
		fmt.Fprintf(&b, "\n# %s\n[[stage]]\nkind = %q\n", t.summary, t.name)
		if kind == "de-esser" {
			b.WriteString("enabled = false # take the line out, or say true, to use it\n")
		}
		t.starterKeys(&b, "")
		if t.bands != nil {
			fmt.Fprintf(&b, "\n  # %s; copy for more\n  [[stage.band]]\n", t.bands.summary)
			t.bands.starterKeys(&b, "  ")
		}
	}
	return []byte(b.String())
}

func (t *table) starterKeys(b *strings.Builder, indent string) {
	for _, f := range t.fields {
		v := f.preset
		if f.starter != nil {
			v = f.starter
		}
		if v == nil {
			continue
		}
		if f.kind == number && f.key == "q" && v == 0.7071067811865476 {
			v = 0.707
		}
		line := fmt.Sprintf("%s%s = %s", indent, f.key, literal(v))
		fmt.Fprintf(b, "%-34s # %s\n", line, f.accepted())
	}
}
