package instrument

import (
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// For lists the instruments for the response to a signal. Signals that are only for listening
// or for meters have none.
func For(s stimulus.Signal) []Instrument {
	switch s := s.(type) {
	case stimulus.Tone:
		all := []Instrument{HarmonicDistortion{Tone: s}}
		if s.Channels > 1 && s.Only > 0 {
			all = append(all, Crosstalk{Tone: s})
		} else if s.Channels > 1 {
			all = append(all, ChannelBalance{Tone: s})
		}
		if d := (DynamicRange{Seconds: s.Seconds, Channels: s.Channels}); d.tone() == s {
			all = append(all, d)
		}
		return all
	case stimulus.ToneSeries:
		all := []Instrument{GainLinearity{Series: s}}
		if s.ToDBFS > s.FromDBFS {
			all = append(all, MaximumLevel{Series: s})
		}
		return all
	case stimulus.TwinTone:
		// Modulation distortion uses tones far apart, difference distortion tones close
		// together.
		if s.HighHz > 4*s.LowHz {
			return []Instrument{ModulationDistortion{Tones: s}}
		}
		return []Instrument{DifferenceDistortion{Tones: s}}
	case stimulus.Swept:
		return []Instrument{SweepResponse{Sweep: s}, SweepDistortion{Sweep: s}, CorrelationDelay{Sweep: s}}
	case stimulus.Multitone:
		return []Instrument{MultitoneResponse{Multitone: s}}
	case stimulus.Impulse:
		return []Instrument{Latency{Impulse: s}}
	case stimulus.Silence:
		return []Instrument{IdleNoise{Seconds: s.Seconds, Channels: s.Channels}, MainsProducts{Seconds: s.Seconds, Channels: s.Channels}}
	case stimulus.SteppedTone:
		return []Instrument{StaticCurve{Tone: s}}
	case stimulus.LevelStep:
		return []Instrument{StepResponse{Step: s}}
	case stimulus.CrestTones:
		return []Instrument{DetectorType{Tones: s}}
	case stimulus.LinkTones:
		return []Instrument{ChannelLink{Tones: s}}
	case stimulus.ToneThenSilence:
		return []Instrument{LimitCycle{Sound: s}}
	}
	return nil
}

// AnalyseAll runs every instrument for a signal on the response. Where two give a reading of
// the same name, the first counts.
func AnalyseAll(s stimulus.Signal, rate int, response Response) (measure.Readings, error) {
	var all measure.Readings
	for _, i := range For(s) {
		r, err := i.Analyse(rate, response)
		if err != nil {
			return nil, err
		}
		all = all.With(r)
	}
	return all, nil
}
