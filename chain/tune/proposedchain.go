package tune

import (
	"bytes"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/chain"
)

// Confidence states how reliable a proposed value is.
type Confidence string

// The confidences. High requires at least 5 s of steady pauses, and speech at least 25 dB above
// them. Low means that the noise is in doubt or shorter than a second, or that speech is less
// than 15 dB above it.
const (
	High   Confidence = "high"
	Medium Confidence = "medium"
	Low    Confidence = "low"
	None   Confidence = "none"  // the stage is off
	Given  Confidence = "given" // by the user
)

// Choice is one proposed value and the reason for it.
type Choice struct {
	Stage      string     `json:"stage"` // kind, or name where it has one
	Key        string     `json:"key"`
	Value      string     `json:"value"` // as the chain file has it
	Unit       string     `json:"unit,omitempty"`
	Reading    string     `json:"reading"` // reading on which the value is based
	Rule       string     `json:"rule"`
	Confidence Confidence `json:"confidence"`
}

// ProposedChain is a chain for one or several takes, with the evidence for it.
type ProposedChain struct {
	Chain    *chain.Chain
	Text     []byte // the chain file, with value, reading and rule in comments
	Choices  []Choice
	Notes    []string // further remarks, a sentence each
	Takes    []Damage // effect of the chain on each take
	sections []section
	keep     map[string]string
	used     map[string]bool

	predicted            []predictedGains // of each take
	predictedCompression [2]float64       // median and 95th percentile, dB
}

// NoProposal is the reason that there is no proposal.
type NoProposal struct{ Reason string }

func (e *NoProposal) Error() string { return "no chain is proposed: " + e.Reason }

// section is a stage of a proposal, or a band of the stage before it.
type section struct {
	kind, name string // "" for a band
	off        string // reason that it is off; "" where it is on
	choices    []Choice
}

// stage begins a stage.
func (p *ProposedChain) stage(kind, name, off string) *section {
	p.sections = append(p.sections, section{kind: kind, name: name, off: off})
	return &p.sections[len(p.sections)-1]
}

// choose adds a value to the last stage and returns it. A value that the user has fixed is used
// instead.
func (p *ProposedChain) choose(key string, value float64, unit, reading, rule string, c Confidence) float64 {
	text := fmt.Sprint(math.Round(value*100) / 100)
	p.put(key, text, unit, reading, rule, c)
	if kept, ok := p.kept(key); ok {
		if _, err := fmt.Sscan(kept, &value); err != nil {
			return value // the reader of the chain file will report it
		}
	}
	return value
}

// put adds a value as it will be written.
func (p *ProposedChain) put(key, text, unit, reading, rule string, c Confidence) {
	s := &p.sections[len(p.sections)-1]
	stage := p.label()
	if kept, ok := p.kept(key); ok {
		text, reading, rule, c = kept, "fixed by you (proposed: "+text+")", "", Given
		p.used[stage+"."+key] = true
	}
	s.choices = append(s.choices, Choice{stage, key, text, unit, reading, rule, c})
}

// label returns the name of the current stage, in the form that keep uses.
func (p *ProposedChain) label() string {
	for _, s := range slices.Backward(p.sections) {
		if s.kind != "" {
			if s.name != "" {
				return s.name
			}
			return s.kind
		}
	}
	return ""
}

func (p *ProposedChain) kept(key string) (string, bool) {
	text, ok := p.keep[p.label()+"."+key]
	return text, ok
}

// write writes the chain file and reads it back.
func (p *ProposedChain) write(name string) error {
	var b bytes.Buffer
	comment(&b, fmt.Sprintf("Proposed by boothbench propose for %s. The comment above a value gives the reading of the take and the rule that sets the value. Where you know better, propose again with --keep STAGE.KEY=VALUE: that value stays, and the others follow.", name))
	for _, note := range p.Notes {
		comment(&b, note)
	}
	fmt.Fprintf(&b, "schema = %d\nname = \"Proposed\"\n", chain.Schema)
	for _, s := range p.sections {
		b.WriteString("\n")
		if s.kind != "" {
			if s.off != "" {
				comment(&b, "Off: "+s.off)
			}
			fmt.Fprintf(&b, "[[stage]]\nkind = %q\n", s.kind)
			if s.name != "" {
				fmt.Fprintf(&b, "name = %q\n", s.name)
			}
			if s.off != "" {
				b.WriteString("enabled = false\n")
			}
		} else {
			b.WriteString("[[stage.band]]\n")
		}
		for _, c := range s.choices {
			if why := c.why(); why != "" {
				comment(&b, c.Key+": "+why)
			}
			fmt.Fprintf(&b, "%s = %s\n", c.Key, c.Value)
		}
		p.Choices = append(p.Choices, s.choices...)
	}
	for _, key := range slices.Sorted(maps.Keys(p.keep)) {
		if !p.used[key] {
			return &KeepError{Key: key}
		}
	}
	p.Text = b.Bytes()
	var err error
	p.Chain, err = chain.Parse("the proposed chain", p.Text)
	return err
}

// why returns a value's reading, rule and confidence in sentences; "" where it has neither
// reading nor rule.
func (c Choice) why() string {
	why := c.Reading
	switch {
	case why != "" && c.Rule != "":
		why += ". Rule: " + c.Rule
	case why == "":
		why = c.Rule
	}
	if why != "" && (c.Confidence == Low || c.Confidence == Medium || c.Confidence == High) {
		why += ". Confidence: " + string(c.Confidence)
	}
	return why
}

// comment writes text as comment lines of at most 80 columns.
func comment(b *bytes.Buffer, text string) {
	line := "#"
	for _, word := range strings.Fields(text) {
		if len(line)+1+len(word) > 80 && line != "#" {
			b.WriteString(line + "\n")
			line = "#"
		}
		line += " " + word
	}
	b.WriteString(line + "\n")
}
