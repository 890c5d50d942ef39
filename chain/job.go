package chain

import "github.com/boothbench/boothbench/dsp"

// A job is a block on its way through the steps, with the memory that they need.
type job struct {
	memory, gainMemory dsp.Block
	block, gain, out   dsp.Block // views of the memory, of the block's length

	frame int64 // of the block's first frame, counted from the input's first
	end   int64 // the input's frames; endless while it goes on
}

func newJob(channels, frames int, traced bool) *job {
	j := &job{memory: dsp.NewBlock(channels, frames), block: make(dsp.Block, channels), out: make(dsp.Block, channels)}
	if traced {
		j.gainMemory, j.gain = dsp.NewBlock(channels, frames), make(dsp.Block, channels)
	}
	return j
}

// endless is more frames than any input has; sums with it do not overflow.
const endless = 1 << 62

func (j *job) capacity() int { return j.memory.Frames() }

func (j *job) resize(frames int) {
	for c := range j.block {
		j.block[c] = j.memory[c][:frames]
		if j.gain != nil {
			j.gain[c] = j.gainMemory[c][:frames]
		}
	}
}

// inside is the part of the block that belongs to the input's own frames, at a delay:
// without the latency before them and the decay after the last.
func (j *job) inside(delay int) (from, to int) {
	frames := int64(j.block.Frames())
	first := j.frame - int64(delay)
	return int(min(frames, max(0, -first))), int(min(frames, max(0, j.end-first)))
}
