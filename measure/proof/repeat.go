package proof

import (
	"context"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// repeats claims that a device responds to a sound as before after another, louder sound
// in between: no state is left from earlier sounds.
func repeats(channels int) experiment {
	speech := func(peakDBFS float64, seed uint64) stimulus.SpeechLike {
		return stimulus.SpeechLike{PeakDBFS: peakDBFS, Seconds: 1.5, Channels: channels, Seed: seed}
	}
	return experiment{
		again:     true,
		Condition: "1.5 s of synthetic speech, a louder one, and the first again",
		Claims:    []Claim{exactly("repeat_changed_samples", 0, "a run begins from rest: no sample may depend on the run before")},
		Run: func(ctx context.Context, d instrument.Device, rate int) (measure.Readings, error) {
			var responses []dsp.Block
			for _, s := range []stimulus.SpeechLike{speech(-20, 2), speech(0, 3), speech(-20, 2)} {
				sound, err := s.Make(rate)
				if err != nil {
					return nil, err
				}
				response, err := instrument.Respond(ctx, d, rate, sound)
				if err != nil {
					return nil, err
				}
				responses = append(responses, response)
			}
			first, again := responses[0], responses[2]
			changed := 0
			about := measure.Reading{Unit: "samples", Definition: "samples of the second response to a sound that differ from the first in any bit, or that only one has"}
			for c := range first {
				shorter := min(len(first[c]), len(again[c]))
				changed += len(first[c]) + len(again[c]) - 2*shorter
				for n := range shorter {
					if math.Float64bits(first[c][n]) != math.Float64bits(again[c][n]) {
						changed++
					}
				}
			}
			about.Value = float64(changed)
			var r measure.Readings
			r.Add("repeat_changed_samples", about)
			return r, nil
		},
	}
}
