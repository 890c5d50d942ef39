package stimulus

import "github.com/boothbench/boothbench/dsp"

// Signal is a test signal. Its type holds the settings, with units in their
// names; what an analyser must know of it (where its steps lie, which tones it
// holds) it states by methods of its own.
type Signal interface {
	// Kind is its name on the command line and in files: "stepped-tone".
	Kind() string

	// Make returns the signal at a rate in Hz: channels x frames, full scale
	// 1.0, the same bits at every call and on every machine. Channels of the same sound
	// may be one slice, so that 64 of them take no more memory than one: copy what is to
	// be changed.
	Make(rate int) (dsp.Block, error)
}
