package proof

import (
	"math"
	"slices"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
)

// whole states the claims of a chain as a whole: latency, which is the declared
// latency plus the requested delays; where no stage depends on level, the product
// of its responses; and the output on speech, which is that of the plain models
// of its stages in series.
func whole(c *chain.Chain, rate int) ([]experiment, error) {
	channels, enabled := 1, []chain.Stage{}
	for _, s := range c.Stages {
		if !s.Enabled {
			continue
		}
		enabled = append(enabled, s)
		channels = max(channels, reach(channelsOf(s.Settings)))
	}
	e, err := c.Prepare(rate, channels)
	if err != nil {
		return nil, err
	}
	frames := slices.Repeat([]int{e.Latency()}, channels)
	for _, s := range enabled {
		if d, ok := s.Settings.(dsp.DelaySettings); ok {
			for i, n := range delayFrames(d, rate, channels) {
				frames[i] += n
			}
		}
	}
	experiments := []experiment{latency(frames...)}
	p := &programme{channels: max(2, channels)}
	for _, s := range enabled {
		p.chain.Settings = append(p.chain.Settings, s.Settings)
	}
	if declared, strays, ok := linear(enabled, rate); ok && channels == 1 {
		swept := sweptThrough(frames[0], p.chain.Settings...)
		experiments = append(experiments, swept.deviates(declared, rate, strays, "the sum of the stages' tolerances, around the product of their declared responses"))
	} else {
		why := "some stages depend on level, therefore the chain has no single response; each filter is tested alone, and the speech below tests the chain"
		if ok {
			why = "some stages work on single channels; the speech below tests each channel"
		}
		experiments = append(experiments, silent(sweepCondition, why, "response_deviation_db"))
	}
	experiments = append(experiments, repeats(p.channels), p.exact(), p.rounds())
	if _, limits := c.Ceiling(); limits {
		experiments = append(experiments, p.limited())
	}
	return experiments, nil
}

// channelsOf is a stage's list of channels.
func channelsOf(settings any) []int {
	switch s := settings.(type) {
	case dsp.GainSettings:
		return s.Channels
	case dsp.PolaritySettings:
		return s.Channels
	case dsp.DelaySettings:
		return s.Channels
	}
	return nil
}

// linear is the response that stages in series declare, and by how many dB they may deviate
// from it; ok: none of them depends on level.
func linear(stages []chain.Stage, rate int) (declared response, straysDB float64, ok bool) {
	declared = func(float64) complex128 { return 1 }
	for _, stage := range stages {
		straysDB += sweepBoundDB
		switch s := stage.Settings.(type) {
		case dsp.HighPassSettings:
			declared = product(declared, butterworthHighPass(s.SlopeDBPerOctave/6, s.CornerHz, rate))
		case dsp.EqualiserSettings:
			s = s.At(rate)
			for _, b := range s.Bands {
				declared = product(declared, cookbookBand(b, s.Design, rate))
			}
			straysDB += sum(strayDB(s, rate))
		case dsp.GainSettings:
			g := complex(math.Pow(10, s.GainDB/20), 0)
			declared = product(declared, func(float64) complex128 { return g })
		case dsp.PolaritySettings, dsp.DelaySettings: // no magnitude
		default:
			return nil, 0, false
		}
	}
	return declared, straysDB, len(stages) > 0
}
