package proof

import (
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
)

// expanded is the attenuation in dB of a downward expander's static curve while it
// is closed: the mirror image of a compressor's, with a range.
func expanded(s dsp.ExpanderSettings) func(levelDBFS float64) float64 {
	slope := s.Ratio - 1
	return func(level float64) float64 {
		under := s.ThresholdDBFS - level
		switch {
		case under <= -s.KneeDB/2:
			return 0
		case under < s.KneeDB/2:
			return min(s.RangeDB, slope*(under+s.KneeDB/2)*(under+s.KneeDB/2)/(2*s.KneeDB))
		}
		return min(s.RangeDB, slope*under)
	}
}

// leastStepDB is the finest step of an expander's curve: finer ones take minutes.
const leastStepDB = curveStepDB / 4

const tooSteep = "the curve is so steep that less than two of its steps lie between knee and range; curve_deviation_db judges the whole curve"

func expander(s dsp.ExpanderSettings, rate int) []experiment {
	attenuation := expanded(s)
	gain := func(peakDBFS float64) float64 { return -attenuation(peakDBFS - onPeaks(0, s.Detector)) }
	threshold := onPeaks(s.ThresholdDBFS, s.Detector)
	// Down to where the range is reached, or 40 dB under the threshold.
	reach := 40.0
	if s.Ratio > 1 {
		reach = min(reach, s.RangeDB/(s.Ratio-1)+s.KneeDB/2+3)
	}
	low, high := threshold-reach, threshold+s.KneeDB/2+6
	settle := settleSeconds(s.AttackMs, s.DetectorWindowMs)
	hz := curveHz(s.SidechainHighPassHz, rate)
	claims := []Claim{
		within("plateau_gain_db", 0, curveBoundDB, curveWhy),
		atMost("curve_deviation_db", curveBoundDB+0.01*(s.Ratio-1), curveWhy+", and what an error of 0.01 dB in the level makes on the slope"),
		atMost("unsettled_steps", 0, "a gain that still moves gives no static curve"),
	}
	// A curve that ends within its knee shows neither threshold nor ratio, which take two
	// steps between knee and range; curve_deviation_db still judges it.
	works := s.Ratio >= 1.1 && s.RangeDB >= 3+(s.Ratio-1)*s.KneeDB/2
	stepDB, straightDB := float64(curveStepDB), s.RangeDB/(s.Ratio-1)-s.KneeDB/2
	for works && straightDB < 2*stepDB && stepDB > leastStepDB {
		stepDB /= 2
	}
	shown := works && straightDB >= 2*stepDB
	if shown {
		claims = append(claims,
			within("expansion_threshold_dbfs", threshold, 2*curveBoundDB, curveWhy+", twice, since half the curve is its knee"),
			within("expansion_ratio", s.Ratio, 0.01*s.Ratio+0.1*(s.Ratio-1)/s.RangeDB, "1 %, and 0.1 dB over the levels from threshold to range"))
	}
	if works && reach < 40 {
		claims = append(claims, within("expansion_range_db", s.RangeDB, curveBoundDB, curveWhy))
	}
	experiments := []experiment{staticCurve(hz, low, high, stepDB, settle, false, gain, claims)}
	if !works {
		return append(experiments, silent(experiments[0].Condition, "ratio and range end the curve within its knee, or move the gain too little; curve_deviation_db judges the whole curve",
			append([]string{"expansion_threshold_dbfs", "expansion_ratio", "expansion_range_db", "hysteresis_db", "channel_gain_difference_db"}, stepTimes...)...))
	}
	if !shown {
		experiments[0].unclaimed = append(experiments[0].unclaimed, omission{"expansion_threshold_dbfs", tooSteep}, omission{"expansion_ratio", tooSteep})
	}
	if reach >= 40 {
		experiments[0].unclaimed = append(experiments[0].unclaimed, omission{"expansion_range_db", "it is reached more than 40 dB under the threshold"})
	}
	// The instrument takes the level at which the gain is 0.05 dB below the plateau for the
	// end of the knee: the knee seems to end that far below the opening level.
	seems := math.Sqrt(0.1 * s.KneeDB / (s.Ratio - 1))
	if s.HysteresisDB > seems {
		slow := settleSeconds(s.ReleaseMs, s.DetectorWindowMs+s.HoldMs)
		experiments = append(experiments, staticCurve(hz, threshold-min(reach, s.HysteresisDB+6), high, curveStepDB, slow, true, nil,
			[]Claim{within("hysteresis_db", s.HysteresisDB-seems, curveStepDB+0.01, "one step of the curve; from where the knee is within 0.05 dB of its end")}))
	} else if s.HysteresisDB > 0 {
		experiments[0].unclaimed = append(experiments[0].unclaimed, omission{"hysteresis_db", fmt.Sprintf("the knee seems to end %.2f dB under the opening level, which hides a hysteresis of %g dB", seems, s.HysteresisDB)})
	}
	switch atCorner := "a tone at the corner of the detector's high-pass"; {
	case s.SidechainHighPassHz == 0:
	case s.SidechainHighPassHz >= 0.2*float64(rate):
		experiments = append(experiments, silent(atCorner, sidechainTooHigh, "expansion_threshold_dbfs"))
	case !shown:
		experiments = append(experiments, silent(atCorner, tooSteep, "expansion_threshold_dbfs"))
	default:
		experiments = append(experiments, staticCurve(s.SidechainHighPassHz, low+sineOverRMS, high+sineOverRMS, stepDB, settle, false, nil,
			[]Claim{within("expansion_threshold_dbfs", threshold+sineOverRMS, 2*curveBoundDB, atCornerWhy)}))
	}
	step, driveDB := dynamicsStep(low+1, high+6, s.AttackMs, s.ReleaseMs, s.HoldMs+s.DetectorWindowMs, rate)
	experiments = append(experiments, timesWithHold(s, step, driveDB, s.Detector == dsp.RMS, s.HoldMs, rate)...)
	return append(experiments, both(s.LinkChannels, threshold+s.KneeDB/2+3, gain))
}
