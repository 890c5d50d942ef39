package proof

import (
	"context"
	"fmt"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/stimulus"
)

func limiter(s dsp.LimiterSettings, rate int) []Experiment {
	return []Experiment{limiterHolds(s), limiterPasses(s), limiterStandsStill(s, rate)}
}

// limiterHolds puts all that limiters fail on through a limiter.
func limiterHolds(s dsp.LimiterSettings) Experiment {
	const never = "a ceiling is not a target: nothing may be over it"
	x := Experiment{
		Condition: fmt.Sprintf("%d signals that limiters fail on, two channels, 6 to 20 dB over the ceiling", stimulus.LimiterStressCases),
		Claims:    []Claim{atMost("overshoot_sample_db", 0, never), atMost("overshoot_annex2_db", 0, never)},
		Run: func(ctx context.Context, d instrument.Device, rate int) (measure.Readings, error) {
			return instrument.WorstOvershoot(ctx, d, s.CeilingDBTP, -s.DriveDB, rate, 2)
		},
	}
	if s.Verify {
		x.Claims = append(x.Claims, atMost("overshoot_fine_db", 0, never))
	}
	if s.LinkChannels {
		x.Claims = append(x.Claims, atMost("image_shift_db", 0.001, "the rounding of the readings; linked channels have one gain"))
	}
	return x
}

// limiterTone is a tone at a level against the ceiling. What is louder than full
// scale takes a gain ahead of the limiter.
func limiterTone(s dsp.LimiterSettings, overDB float64, claims ...Claim) Experiment {
	t := stimulus.StandardTone(stimulus.DefaultPeakDBFS)
	return Experiment{
		Condition: fmt.Sprintf("997 Hz, %g dB against the ceiling", overDB),
		Claims:    claims,
		Run:       drivenBy(s.CeilingDBTP+overDB-s.DriveDB-t.PeakDBFS, instrument.HarmonicDistortion{Tone: t}),
	}
}

// limiterPasses looks at a tone that the limiter has nothing to do with.
func limiterPasses(s dsp.LimiterSettings) Experiment {
	return limiterTone(s, -6,
		within("tone_dbfs", s.CeilingDBTP-6, 0.0001, "the rounding of the reading; what is under the ceiling passes unchanged"),
		atMost("thd_plus_noise_db", -200, "far under any converter's noise; only the rounding of the reading is left"))
}

// limiterStandsStill looks at a tone that is 6 dB too loud throughout.
func limiterStandsStill(s dsp.LimiterSettings, rate int) Experiment {
	claims := []Claim{
		{measure.Limit{Reading: "tone_dbfs", Min: new(s.CeilingDBTP - 0.1), Max: &s.CeilingDBTP}, "the ceiling, and no more reduction than it takes: 0.1 dB cannot be heard (common practice, no source)"},
	}
	// A short look-ahead has to move the gain within the period, and "loud" lets it
	// rise between the crests: neither claims a still gain. Below 72 frames the whole
	// fade of the guard has no room (dsp.NewLimiter).
	if s.Recovery != dsp.FastRecovery && dsp.Frames(s.LookaheadMs, rate) >= 72 {
		claims = append(claims, atMost("thd_plus_noise_db", -120, "less than what a converter of 20 bits adds (6.02·20 dB)"))
	}
	return limiterTone(s, 6, claims...)
}
