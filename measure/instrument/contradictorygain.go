package instrument

import (
	"fmt"
	"math"
	"strings"

	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// contradictionDB is the largest difference between a tone's gain and that of the marks, which
// lie between 400 Hz and 6 kHz. Over the band of a voice, a device's response varies by less.
// (common practice, no source)
const contradictionDB = 1

// Parts of findings on a gain that is not fixed.
const (
	followsLevel = ": the gain follows the level"
	gainChanged  = "the gain changed by "
)

// IsOfMovingGain reports whether a finding is that the gain moves or follows the level. A
// device that is meant to do so has it as well.
func IsOfMovingGain(f measure.Finding) bool {
	return strings.Contains(f.What, followsLevel) || strings.HasPrefix(f.What, gainChanged)
}

// compareGains reports a tone whose gain differs from that of the marks around it: the path
// then changes its gain with the level, or by itself.
func (a *Alignment) compareGains(s stimulus.Signal, readings measure.Readings) {
	tone, is := s.(stimulus.Tone)
	if !is || tone.Hz < 400 || tone.Hz > 6000 {
		return
	}
	for _, r := range readings {
		suffix, is := strings.CutPrefix(r.Name, "tone_dbfs")
		marks, known := a.Readings.Get("gain_db" + suffix)
		polarity, _ := a.Readings.Get("polarity" + suffix)
		// Where the path shifts the phase, the fit of the marks is below their gain.
		if !is || !known || !polarity.Measurable() || !r.Measurable() || !marks.Measurable() || tone.Only > 0 && suffix != fmt.Sprintf("_ch%d", tone.Only) {
			continue
		}
		gain := r.Value - tone.PeakDBFS
		if math.Abs(gain-marks.Value) <= contradictionDB {
			continue
		}
		a.Findings = append(a.Findings, measure.Finding{
			Severity: measure.Fault, Frame: -1, Channel: channelOf(suffix),
			What: fmt.Sprintf("the gain is %+.1f dB for the tone and %+.1f dB for the marks around it"+followsLevel, gain, marks.Value),
			Do:   "switch automatic gain, compressors and limiters of the path off, or measure them as such (stepped-tone, level-step): gain, noise and distortion here are not those of a fixed gain",
		})
	}
}
