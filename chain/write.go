package chain

import (
	"bytes"
	"fmt"
	"strconv"
	"strings"

	"github.com/boothbench/boothbench/dsp"
)

// Format writes a chain as a chain file: every key of every stage, with unit,
// range and default in a comment if wanted. Parsing it gives the same stages.
// A stage whose kind is not known or whose settings are of another kind is an
// error.
func (c *Chain) Format(comments bool) ([]byte, error) {
	var b bytes.Buffer
	w := writer{&b, comments}
	fmt.Fprintf(&b, "schema = %d\n", Schema)
	if c.Name != "" {
		fmt.Fprintf(&b, "name = %s\n", basicString(c.Name))
	}
	if c.Notes != "" {
		fmt.Fprintf(&b, "notes = %s\n", basicString(c.Notes))
	}
	kinds := allKinds()
	named := make([]Stage, len(c.Stages)) // as they are named without a name
	for i, s := range c.Stages {
		named[i].Kind = s.Kind
	}
	nameStages(named)
	for i, s := range c.Stages {
		if s.Name == named[i].Name {
			s.Name = ""
		}
		k := kindNamed(kinds, s.Kind)
		if k == nil || !k.holds(s.Settings) {
			return nil, fmt.Errorf("%s holds %T; accepted: a kind of %s with its settings", label(i+1, s), s.Settings, quoted(kindNames(kinds), ", "))
		}
		w.stage(s, k)
	}
	return b.Bytes(), nil
}

type writer struct {
	*bytes.Buffer
	comments bool
}

func (w writer) stage(s Stage, k *Kind) {
	w.WriteString("\n")
	if w.comments {
		w.comment(k.Summary + " " + k.Trap)
	}
	fmt.Fprintf(w, "[[stage]]\nkind = %s\n", strconv.Quote(s.Kind))
	if s.Name != "" {
		fmt.Fprintf(w, "name = %s\n", basicString(s.Name))
	}
	if !s.Enabled {
		w.WriteString("enabled = false\n")
	}
	w.fields(k.Fields, k.edit(s.Settings))
	if k.bands != nil {
		for _, band := range k.bands(s.Settings) {
			w.WriteString("\n[[stage.band]]\n")
			w.fields(k.Bands, &band)
		}
	}
}

func (w writer) fields(fields []Field, settings any) {
	words := map[string]string{}
	for _, f := range fields {
		words[f.Key] = f.get(settings).word
	}
	for _, f := range fields {
		if f.When != nil && !contains(f.When.Words, words[f.When.Key]) || f.used != nil && !f.used(settings) {
			continue
		}
		if w.comments {
			w.comment(f.Help + " (" + f.summary() + ")")
		}
		w.WriteString(f.Key + " = " + f.written(f.get(settings)) + "\n")
	}
}

// comment writes text as comment lines of some 80 columns.
func (w writer) comment(text string) {
	line := "#"
	for _, word := range strings.Fields(text) {
		if len(line)+1+len(word) > 80 {
			w.WriteString(line + "\n")
			line = "#"
		}
		line += " " + word
	}
	w.WriteString(line + "\n")
}

// summary is what a field accepts and its default.
func (f Field) summary() string {
	text := f.Accepted()
	switch {
	case f.Instead != "" && f.Default == "":
		return text + "; instead of " + f.Instead
	case f.Default == "":
		return text + "; required"
	case f.Instead != "":
		return text + "; default " + f.Default + ", unless " + f.Instead + " is given"
	}
	return text + "; default " + f.Default
}

// basicString writes a TOML basic string. strconv.Quote would write \x and \a,
// which TOML lacks.
func basicString(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range s {
		switch {
		case r == '"' || r == '\\':
			b.WriteByte('\\')
			b.WriteRune(r)
		case r == '\n':
			b.WriteString(`\n`)
		case r == '\t':
			b.WriteString(`\t`)
		case r < ' ' || r == 0x7F:
			fmt.Fprintf(&b, `\u%04X`, r)
		default:
			b.WriteRune(r)
		}
	}
	b.WriteByte('"')
	return b.String()
}

// Starter returns the chain file that `boothbench init` writes: a voice chain
// with every key explained.
func Starter() []byte {
	kinds := allKinds()
	preset := func(kind string) any {
		k := kindNamed(kinds, kind)
		p := k.fresh()
		for _, f := range k.Fields {
			f.put(p, f.preset())
		}
		return k.settled(p)
	}
	highpass := preset("highpass").(dsp.HighPassSettings)
	expander := preset("expander").(dsp.ExpanderSettings)
	expander.ThresholdDBFS = -50
	compressor := preset("compressor").(dsp.CompressorSettings)
	compressor.ThresholdDBFS = -20
	equaliser := preset("equaliser").(dsp.EqualiserSettings)
	equaliser.Bands = []dsp.Band{
		{Shape: dsp.Bell, CentreHz: 250, GainDB: -2, Q: 1},
		{Shape: dsp.HighShelf, CentreHz: 8000, GainDB: 1.5, Q: 0.7071, Optional: true},
	}
	deEsser := preset("de-esser").(dsp.DeEsserSettings)
	limiter := preset("limiter").(dsp.LimiterSettings)
	c := Chain{
		Name: "Voice",
		Stages: []Stage{
			{Kind: "highpass", Enabled: true, Settings: highpass},
			{Kind: "expander", Enabled: true, Settings: expander},
			{Kind: "compressor", Enabled: true, Settings: compressor},
			{Kind: "equaliser", Enabled: true, Settings: equaliser},
			{Kind: "de-esser", Settings: deEsser},
			{Kind: "limiter", Enabled: true, Settings: limiter},
		},
	}
	text, err := c.Format(true)
	if err != nil {
		panic(err) // the chain above is ours; a test writes it
	}
	head := "# A chain file: the sound passes the stages from top to bottom.\n" +
		"# Set the threshold_dbfs of expander and compressor to your take: they depend\n" +
		"# on its level. Keys that are left out have the default that is named here.\n\n"
	return append([]byte(head), text...)
}
