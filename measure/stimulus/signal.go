package stimulus

import "github.com/boothbench/boothbench/dsp"

// Signal is a test signal. Its type holds the settings, with units in their names. Methods of
// the type state what an analyser needs, such as where steps lie or which tones it has.
type Signal interface {
	// Kind is its name on the command line and in files: "stepped-tone".
	Kind() string

	// Make returns the signal at a rate in Hz: channels x frames, full scale 1.0, the same bits
	// at every call and on every machine. Channels of the same sound may share one slice, so
	// that 64 take no more memory than one: copy a channel before you change it.
	Make(rate int) (dsp.Block, error)
}
