package proof

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/stimulus"
)

func limiter(s dsp.LimiterSettings, rate int) []experiment {
	return append([]experiment{limiterHolds(s), limiterPasses(s), limiterHoldsStill(s, rate)}, limiterRecovers(s, rate)...)
}

// guardMs is how far a limiter's guard can shift the moment at which a recovery seems to
// begin.
const guardMs = 0.5

// limiterRecovers claims how the gain recovers after a short peak and after a long loud
// passage: the recovery depends on the programme, so that the two differ.
func limiterRecovers(s dsp.LimiterSettings, rate int) (all []experiment) {
	for _, seconds := range []float64{0.03, 1} {
		high := s.CeilingDBTP - s.DriveDB + 10
		step := stimulus.LevelStep{Hz: 2000, LowDBFS: high - 20, HighDBFS: high, BeforeSeconds: 0.3, DuringSeconds: seconds, AfterSeconds: 2.5}
		driveDB := max(0, high)
		step.LowDBFS, step.HighDBFS = step.LowDBFS-driveDB, step.HighDBFS-driveDB
		for _, x := range times(s, step, driveDB, false, rate) {
			x.Condition += fmt.Sprintf(", after %g s", seconds)
			all = append(all, x)
		}
	}
	recovery := func(reading string) bool {
		return strings.HasPrefix(reading, "release_") && reading != "release_begins_ms"
	}
	var others []string
	for _, name := range stepTimes {
		if !recovery(name) {
			others = append(others, name)
		}
	}
	for i := range all {
		all[i].Claims = slices.DeleteFunc(all[i].Claims, func(c Claim) bool { return !recovery(c.Reading) })
		all[i].unclaimed = slices.DeleteFunc(all[i].unclaimed, func(o omission) bool { return !recovery(o.reading) })
		for k, c := range all[i].Claims {
			all[i].Claims[k].Min, all[i].Claims[k].Max = new(*c.Min-guardMs), new(*c.Max+guardMs)
			all[i].Claims[k].Why += "; half a millisecond more, in which the guard's last dips end"
		}
	}
	return append(all, silent("the same steps", "what happens before the recovery depends on the ceiling, which is judged above, and on the guard, which the model leaves out", others...))
}

// limiterHolds tests a limiter with all signals that are hard for limiters.
func limiterHolds(s dsp.LimiterSettings) experiment {
	const never = "a ceiling may not be exceeded"
	x := experiment{
		Condition: fmt.Sprintf("%d signals that limiters fail on, two channels, with samples 0 to 20 dB over the ceiling", stimulus.LimiterStressCases),
		Claims:    []Claim{atMost("overshoot_sample_db", 0, never), atMost("overshoot_annex2_db", 0, never)},
		Run: func(ctx context.Context, d instrument.Device, rate int) (measure.Readings, error) {
			return instrument.WorstOvershoot(ctx, d, s.CeilingDBTP, -s.DriveDB, rate, 2)
		},
	}
	if s.Verify {
		x.Claims = append(x.Claims, atMost("overshoot_fine_db", 0, never))
	} else {
		x.unclaimed = append(x.unclaimed, omission{"overshoot_fine_db", "verify = false promises nothing between the samples beyond Annex 2"})
	}
	if s.LinkChannels {
		x.Claims = append(x.Claims, atMost("image_shift_db", 0.001, "the rounding of the readings; linked channels have one gain"))
	} else {
		x.unclaimed = append(x.unclaimed, omission{"image_shift_db", "link_channels = false: each channel has its own gain"})
	}
	return x
}

// limiterTone is a tone at a level relative to the ceiling. Levels above full scale are
// made by a gain in front of the limiter.
func limiterTone(s dsp.LimiterSettings, overDB float64, claims ...Claim) experiment {
	t := stimulus.StandardTone(stimulus.DefaultPeakDBFS)
	return experiment{
		Condition: fmt.Sprintf("997 Hz, %+g dB relative to the ceiling", overDB),
		Claims:    claims,
		Run:       drivenBy(s.CeilingDBTP+overDB-s.DriveDB-t.PeakDBFS, instrument.HarmonicDistortion{Tone: t}),
	}
}

// limiterPasses tests a tone that needs no limiting.
func limiterPasses(s dsp.LimiterSettings) experiment {
	return limiterTone(s, -6,
		within("tone_dbfs", s.CeilingDBTP-6, 0.0001, "the rounding of the reading; what is under the ceiling passes unchanged"),
		atMost("thd_plus_noise_db", -200, "far under any converter's noise; only the rounding of the reading is left"))
}

// limiterHoldsStill tests a tone that is 6 dB too loud throughout.
func limiterHoldsStill(s dsp.LimiterSettings, rate int) experiment {
	claims := []Claim{
		{measure.Limit{Reading: "tone_dbfs", Min: new(s.CeilingDBTP - 0.25), Max: &s.CeilingDBTP}, "the ceiling, and no more reduction than needed: Annex 2 reads up to 0.23 dB over a tone"},
	}
	// A short look-ahead has to move the gain within a period, and a fast recovery lets
	// it rise between the crests: for neither a constant gain is claimed. Below 72 frames
	// there is no room for the whole fade of the guard (dsp.NewLimiter).
	still := s.Recovery != dsp.FastRecovery && dsp.Frames(s.LookaheadMs, rate) >= 72
	if still {
		claims = append(claims, atMost("thd_plus_noise_db", -120, "less than what a converter of 20 bits with dither adds (6.02·20 + 1.76 − 4.77 dB)"))
	}
	x := limiterTone(s, 6, claims...)
	if !still {
		x.unclaimed = append(x.unclaimed, omission{"thd_plus_noise_db", "with a fast recovery, or a look-ahead under 72 frames, the gain moves within a period"})
	}
	return x
}
