package dsp

// Join returns a processor that does what two stages do one after the other, in one pass.
// It exists where that is faster: for a filter of one section followed by a dynamics
// stage with a side-chain filter, an RMS detector and one or two channels. Otherwise ok is false.
// The output is the same, bit for bit. The stages' states are shared with it.
func Join(first, second Processor) (joined Processor, ok bool) {
	var j joinedStages
	switch s := first.(type) {
	case *HighPass:
		j.ahead = s.Cascade
	case *Equaliser:
		j.ahead = s.Cascade
	default:
		return nil, false
	}
	switch s := second.(type) {
	case *Expander:
		j.gainStage = s.gainStage
	case *Compressor:
		j.gainStage = s.gainStage
	default:
		return nil, false
	}
	d := j.detector
	if len(j.ahead.kernels) != 1 || d.kind != RMS || d.sidechain == nil || len(d.means) > 2 {
		return nil, false
	}
	return j, true
}

type joinedStages struct {
	ahead *Cascade
	*gainStage
}

func (j joinedStages) Process(b Block) { j.run(b, nil, j.ahead) }

func (j joinedStages) ProcessTraced(b, gain Block) { j.run(b, gain, j.ahead) }

func (j joinedStages) Reset() {
	j.ahead.Reset()
	j.gainStage.Reset()
}
