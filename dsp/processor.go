package dsp

import "fmt"

// Processor is one stage of a chain, built for one rate and channel count.
type Processor interface {
	// Process replaces the block's samples by the processed ones. The block
	// has the channel count that the processor was built for, and any number
	// of frames, the same in all channels. On any other block it panics, and
	// says what it found.
	Process(b Block)

	// Latency is the number of frames by which the output lags the input. A
	// delay that is an effect (a delay stage) is not latency.
	Latency() int

	// Reset brings the processor back to the state it was built in.
	Reset()
}

// GainTracer is a Processor with a time-varying gain.
type GainTracer interface {
	Processor

	// ProcessTraced does what Process does, bit for bit, and stores in gain, a
	// block of the same shape, the linear gain that it applied to each output
	// sample, without fixed make-up or drive.
	ProcessTraced(b, gain Block)

	// ReductionDB is the largest gain reduction since Reset, in dB.
	ReductionDB() float64
}

// Verifier is a Processor in two parts: the first works on the sound, the second
// verifies the result. Process runs both. An engine that writes an integer format
// runs them separately, with the quantiser between them, so that the written samples
// are verified.
type Verifier interface {
	Processor
	Parts() (work GainTracer, verification Verification)
}

// Verification is the second part of a Verifier.
type Verification interface {
	GainTracer

	// OnGrid announces, before the first sample, that samples arrive, and must
	// leave, as whole multiples of step, a power of two. 0: any samples.
	OnGrid(step float64)
}

// CeilingKeeper is implemented by the settings of a stage that keeps its output
// under a ceiling.
type CeilingKeeper interface{ Ceiling() Ceiling }

// Ceiling describes a ceiling that a stage keeps its output under.
type Ceiling struct {
	DBTP     float64 // no true-peak reading of the output exceeds it
	DriveDB  float64 // gain ahead of it
	Verified bool    // the stage is a Verifier
}

// SettingError states which setting a constructor refuses, and what it accepts.
type SettingError struct {
	Setting  string // the settings field in chain-file spelling: "corner_hz"
	Found    string // what was given, with its unit
	Accepted string // what would be accepted, with its unit
}

func (e *SettingError) Error() string {
	return fmt.Sprintf("%s: found %s, accepted: %s", e.Setting, e.Found, e.Accepted)
}

// MaxChannels is the largest channel count that stages and files take.
const MaxChannels = 64

// Rates that stages accept, in Hz.
const (
	MinRate = 1000
	MaxRate = 768000
)
