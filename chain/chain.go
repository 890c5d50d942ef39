package chain

import (
	"bytes"
	"fmt"
	"io"
	"os"

	"github.com/boothbench/boothbench/dsp"
)

// Schema is the version of the chain file that this package reads and writes.
const Schema = 1

// Bounds of a chain file.
const (
	MaxFileBytes = 1 << 20
	MaxStages    = 64
	MaxBands     = 32 // of one equaliser
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

	at    span            // of its header
	given map[string]span // the values in the file, bands as "band 2 centre_hz"
}

// Load reads and parses a chain file. What is wrong with its text is a
// *FileError; that it cannot be read, the error of package os.
func Load(path string) (*Chain, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("chain file: %w", err)
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, MaxFileBytes+1))
	if err != nil {
		return nil, fmt.Errorf("chain file: %w", err)
	}
	return Parse(path, text)
}

// Parse parses the text of a chain file. The error is a *FileError with all
// problems; name stands for the file in it.
func Parse(name string, text []byte) (*Chain, error) {
	whole := func(found, accepted, hint string) error {
		return &FileError{name, []Problem{{Path: name, Found: found, Accepted: accepted, Hint: hint}}}
	}
	switch {
	case len(text) > MaxFileBytes:
		return nil, whole("larger than a chain file may be", fmt.Sprintf("up to %d bytes", MaxFileBytes), "")
	case bytes.HasPrefix(text, []byte{0xFF, 0xFE}), bytes.HasPrefix(text, []byte{0xFE, 0xFF}):
		return nil, whole("UTF-16 text", "UTF-8 text", "save the file as UTF-8")
	case bytes.IndexByte(text, 0) >= 0:
		return nil, whole("not a text file", "a chain file: TOML text", "")
	}
	text = bytes.Clone(bytes.TrimPrefix(text, []byte("\uFEFF")))
	c, problems := decode(newPlaces(name, text))
	if len(problems) > 0 {
		return nil, &FileError{name, inOrder(problems)}
	}
	return c, nil
}

// Build calls the stage's constructor in package dsp.
func (s Stage) Build(rate, channels int) (dsp.Processor, error) {
	kinds := Kinds()
	k := kindNamed(kinds, s.Kind)
	if k == nil {
		return nil, fmt.Errorf("kind %q is not known; accepted: %s", s.Kind, quoted(kindNames(kinds), ", "))
	}
	return k.build(s.Settings, rate, channels)
}

// label names a stage in messages: "stage 2 (compressor)".
func label(number int, s Stage) string { return fmt.Sprintf("stage %d (%s)", number, s.Kind) }
