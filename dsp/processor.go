package dsp

import "fmt"

// Block is planar sound: Block[channel][frame], full scale 1.0. All channels
// have the same number of frames.
type Block [][]float64

// NewBlock returns silence of the given shape; the channels are adjacent in one
// allocation.
func NewBlock(channels, frames int) Block {
	all := make([]float64, channels*frames)
	b := make(Block, channels)
	for c := range b {
		b[c] = all[c*frames : (c+1)*frames : (c+1)*frames]
	}
	return b
}

// Frames is the number of frames in the block, 0 for a block without channels.
func (b Block) Frames() int {
	if len(b) == 0 {
		return 0
	}
	return len(b[0])
}

// Channels is the number of channels.
func (b Block) Channels() int { return len(b) }

// Check returns an error unless the block has a number of channels, all of the same
// length.
func (b Block) Check(channels int) error {
	if len(b) != channels {
		return fmt.Errorf("found a block of %s; accepted: %d", Plural(len(b), "channel"), channels)
	}
	for c, plane := range b {
		if len(plane) != len(b[0]) {
			return fmt.Errorf("found %s in channel %d and %d in channel 1; accepted: equal lengths", Plural(len(plane), "frame"), c+1, len(b[0]))
		}
	}
	return nil
}

// mustFit panics where a block has another shape than a processor was built for: that
// is a fault of the program, and not of the sound.
func mustFit(b Block, channels int) {
	if err := b.Check(channels); err != nil {
		panic("dsp: " + err.Error())
	}
}

// mustFitGain panics where a block for gains, unless it is nil, has another shape than
// the sound.
func mustFitGain(gain, b Block) {
	if gain == nil {
		return
	}
	err := gain.Check(len(b))
	if err == nil && gain.Frames() != b.Frames() {
		err = fmt.Errorf("found %s of gains; accepted: %d, as many as of sound", Plural(gain.Frames(), "frame"), b.Frames())
	}
	if err != nil {
		panic("dsp: gains: " + err.Error())
	}
}

// Plane returns one channel's samples; channels count from 0. The error is always
// nil: it is there because a sound that is read from a file satisfies the same
// interface.
func (b Block) Plane(channel int) ([]float64, error) { return b[channel], nil }

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
