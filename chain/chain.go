package chain

import (
	"fmt"
	"os"

	"github.com/boothbench/boothbench/dsp"
)

// Chain is a parsed and checked chain file.
type Chain struct {
	Name, Notes string
	Path        string // as given to Load or Parse
	Text        []byte
	Stages      []Stage

	document *document
}

// Stage is one [[stage]] of a chain file.
type Stage struct {
	Kind     string // "highpass", "expander", …
	Name     string // the file's name for it, else its kind, numbered if there are several
	Enabled  bool
	Line     int // of its [[stage]] header, from 1
	Settings any // dsp.HighPassSettings, dsp.ExpanderSettings, …, by value

	table *table
}

// maxFileBytes bounds what Load takes for a chain file.
const maxFileBytes = 1 << 20

// maxStages bounds the stages, and the bands of an equaliser.
const maxStages = 64

// Load reads and parses a chain file. What is wrong with its text is a
// *FileError with every problem found.
func Load(path string) (*Chain, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() || info.Size() > maxFileBytes {
		return nil, fmt.Errorf("%s: found %d bytes of something; accepted: a text file of up to %d bytes", path, info.Size(), maxFileBytes)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	return Parse(path, text)
}

// Parse parses a chain file's text; name stands for it in messages.
func Parse(name string, text []byte) (*Chain, error) {
	doc, err := parseDocument(name, text)
	if err != nil {
		return nil, err
	}
	c := &Chain{Path: name, Text: text, document: doc}
	r := &reader{doc: doc}
	r.chain(c)
	if len(r.problems) > 0 {
		return nil, r.failure()
	}
	c.nameStages()
	return c, nil
}

// nameStages names stages that have no name by their kind, with a number where
// there are several.
func (c *Chain) nameStages() {
	count, seen := map[string]int{}, map[string]int{}
	for _, s := range c.Stages {
		count[s.Kind]++
	}
	for i := range c.Stages {
		s := &c.Stages[i]
		seen[s.Kind]++
		switch {
		case s.Name != "":
		case count[s.Kind] > 1:
			s.Name = fmt.Sprintf("%s %d", s.Kind, seen[s.Kind])
		default:
			s.Name = s.Kind
		}
	}
}

// Build builds the stage's processor for a rate in Hz and a channel count.
func (s Stage) Build(rate, channels int) (dsp.Processor, error) {
	switch v := s.Settings.(type) {
	case dsp.HighPassSettings:
		return dsp.NewHighPass(v, rate, channels)
	case dsp.ExpanderSettings:
		return dsp.NewExpander(v, rate, channels)
	case dsp.CompressorSettings:
		return dsp.NewCompressor(v, rate, channels)
	case dsp.EqualiserSettings:
		return dsp.NewEqualiser(v, rate, channels)
	case dsp.DeEsserSettings:
		return dsp.NewDeEsser(v, rate, channels)
	case dsp.LimiterSettings:
		return dsp.NewLimiter(v, rate, channels)
	case dsp.GainSettings:
		return dsp.NewGain(v, rate, channels)
	case dsp.PolaritySettings:
		return dsp.NewPolarity(v, rate, channels)
	case dsp.DelaySettings:
		return dsp.NewDelay(v, rate, channels)
	}
	return nil, fmt.Errorf("stage %q has settings of type %T; accepted: the settings of package dsp", s.Name, s.Settings)
}
