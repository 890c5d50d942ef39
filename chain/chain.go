package chain

import (
	"fmt"
	"slices"

	"github.com/boothbench/boothbench/chain/tomlfile"
	"github.com/boothbench/boothbench/dsp"
)

// Schema is the version of the chain file that this package reads and writes.
const Schema = 1

// The largest chain file.
const (
	MaxStages = 64
	MaxBands  = 32 // of one equaliser
)

// Chain is a parsed and checked chain file: stages in the order in which the
// sound passes them.
type Chain struct {
	Name, Notes string
	Path        string
	Stages      []Stage
	Text        []byte // the file as it was read, without a byte-order mark
}

// Stage is one stage of a chain.
type Stage struct {
	Kind     string // "highpass", …
	Name     string // its name in the file, else its kind, numbered if there are several: "compressor 2"
	Enabled  bool
	Line     int // of its [[stage]]; 0: not from a file
	Settings any // dsp.HighPassSettings, dsp.ExpanderSettings, … by value

	at    tomlfile.Span            // of its header
	given map[string]tomlfile.Span // the values in the file, bands as "band 2 centre_hz"
}

// Load reads and parses a chain file. What is wrong with its text is a
// *tomlfile.FileError; that it cannot be read, the error of package os.
func Load(path string) (*Chain, error) {
	text, err := tomlfile.Load(path, "chain file")
	if err != nil {
		return nil, err
	}
	return Parse(path, text)
}

// Parse parses the text of a chain file. The error is a *tomlfile.FileError with all
// problems; name stands for the file in it.
func Parse(name string, text []byte) (*Chain, error) {
	file, err := tomlfile.Read(name, "a chain file", text, "stage", "stage.band")
	if err != nil {
		return nil, err
	}
	d := &decoder{file, allKinds()}
	c := &Chain{Path: name, Text: file.Text}
	d.top(c)
	if err := file.Err(); err != nil {
		return nil, err
	}
	return c, nil
}

// Build calls the stage's constructor in package dsp.
func (s Stage) Build(rate, channels int) (dsp.Processor, error) {
	kinds := allKinds()
	k := kindNamed(kinds, s.Kind)
	if k == nil {
		return nil, fmt.Errorf("kind %q is not known; accepted: %s", s.Kind, quoted(kindNames(kinds), ", "))
	}
	return k.build(s.Settings, rate, channels)
}

// label names a stage in messages: "stage 2 (compressor)".
func label(number int, s Stage) string { return fmt.Sprintf("stage %d (%s)", number, s.Kind) }

// Ceiling is the ceiling in dBTP of the last enabled limiter; ok reports whether
// there is one.
func (c *Chain) Ceiling() (dbtp float64, ok bool) {
	for _, stage := range slices.Backward(c.Stages) {
		if ceiling, keeps := stage.ceiling(); keeps && stage.Enabled {
			return ceiling.DBTP, true
		}
	}
	return 0, false
}

// ceiling is the ceiling that the stage keeps its output under; ok is false for a stage
// without one.
func (s Stage) ceiling() (dsp.Ceiling, bool) {
	keeper, ok := s.Settings.(dsp.CeilingKeeper)
	if !ok {
		return dsp.Ceiling{}, false
	}
	return keeper.Ceiling(), true
}
