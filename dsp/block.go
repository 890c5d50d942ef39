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
