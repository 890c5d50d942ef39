package expect

import (
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"sync"

	"github.com/boothbench/boothbench/chain/tomlfile"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/internal/spectra"
)

// origin is the instrument that gives a reading.
type origin int

const (
	ofFormat     origin = iota // from the header: channels, rate, length, samples
	ofMeter                    // loudness and peaks
	ofInspection               // the inspection of a take
	ofComparison               // with another file
	ofBaseline                 // with its baseline
	ofRun                      // through a chain: what its stages reduce
	ofProof                    // the claims of a chain
	ofLatency                  // of a chain
	ofOvershoot                // of a chain's limiter
)

// origins states which instrument gives each reading that a limit may name. A
// test compares it with what the instruments give.
var origins = map[string]origin{
	"channels": ofFormat, "rate_hz": ofFormat, "duration_s": ofFormat, "sample_bits": ofFormat, "floating_point": ofFormat,

	"integrated_lufs": ofMeter, "loudness_range_lu": ofMeter, "momentary_max_lufs": ofMeter, "short_term_max_lufs": ofMeter,
	"sample_peak_dbfs": ofMeter, "true_peak_dbtp": ofMeter, "true_peak_annex2_dbtp": ofMeter, "true_peak_fine_dbtp": ofMeter,
	"peak_to_loudness_lu": ofMeter,

	"noise_floor_dbfs": ofInspection, "noise_floor_a_dbfs": ofInspection, "noise_floor_c_dbfs": ofInspection, "highest_content_hz": ofInspection, "plosives": ofInspection, "sibilants": ofInspection, "noise_floor_bs468_dbfs": ofInspection,
	"speech_level_dbfs": ofInspection, "speech_to_noise_db": ofInspection, "hum_hz": ofInspection, "hum_level_dbfs": ofInspection,
	"dc_dbfs": ofInspection, "crest_factor_db": ofInspection, "asymmetry_db": ofInspection, "used_bits": ofInspection,
	"clips": ofInspection, "flat_tops": ofInspection, "dropouts": ofInspection,
	"lower_noise_floor_dbfs": ofInspection, "higher_noise_share": ofInspection, "pauses_ms": ofInspection, "noise_variation": ofInspection, "softer_speech_dbfs": ofInspection, "louder_speech_dbfs": ofInspection,
	"correlation": ofInspection, "channel_delay_frames": ofInspection, "channel_gain_db": ofInspection,

	"missing_ms": ofComparison, "extra_ms": ofComparison,
	"similarity": ofComparison, "delay_frames": ofComparison, "delay_ms": ofComparison, "drift_ppm": ofComparison, "polarity": ofComparison,
	"gain_db": ofComparison, "gain_low_levels_db": ofComparison, "gain_high_levels_db": ofComparison, "residual_dbfs": ofComparison, "residual_a_dbfs": ofComparison, "null_depth_db": ofComparison,
	"unexplained_dbfs": ofComparison, "largest_difference_dbfs": ofComparison, "first_difference_frames": ofComparison, "changed_samples": ofComparison, "dropouts_a": ofComparison,
	"dropouts_b": ofComparison, "response_difference_db": ofComparison, "response_difference_hz": ofComparison, "residual_Nhz_dbfs": ofComparison, "integrated_difference_lu": ofComparison,
	"range_difference_lu": ofComparison, "sample_peak_difference_db": ofComparison, "true_peak_difference_db": ofComparison, "noise_floor_difference_db": ofComparison, "noise_floor_a_difference_db": ofComparison,

	"same_samples": ofBaseline, "sample_bits_change": ofBaseline, "used_bits_change": ofBaseline, "frames_change": ofBaseline, "delay_change_frames": ofBaseline, "gain_change_db": ofBaseline,
	"integrated_change_lu": ofBaseline, "range_change_lu": ofBaseline, "true_peak_change_db": ofBaseline, "spectrum_change_db": ofBaseline,
	"level_change_db": ofBaseline, "difference_change_dbfs": ofBaseline, "local_changes": ofBaseline,

	"expander_reduction_median_db": ofRun, "expander_reduction_p95_db": ofRun, "expander_reduction_most_db": ofRun, "expander_working_percent": ofRun,
	"compressor_reduction_median_db": ofRun, "compressor_reduction_p95_db": ofRun, "compressor_reduction_most_db": ofRun, "compressor_working_percent": ofRun,
	"de_esser_reduction_median_db": ofRun, "de_esser_reduction_p95_db": ofRun, "de_esser_reduction_most_db": ofRun, "de_esser_working_percent": ofRun,
	"limiter_reduction_median_db": ofRun, "limiter_reduction_p95_db": ofRun, "limiter_reduction_most_db": ofRun, "limiter_working_percent": ofRun,

	"claims_passed": ofProof, "claims_failed": ofProof, "claims_undecided": ofProof,
	"latency_frames": ofLatency, "latency_ms": ofLatency,
	"overshoot_sample_db": ofOvershoot, "overshoot_annex2_db": ofOvershoot, "overshoot_fine_db": ofOvershoot, "image_shift_db": ofOvershoot,
	"first_window_overshoot_db": ofOvershoot, "time_over_ceiling_ms": ofOvershoot, "over_events": ofOvershoot,
}

// InLimits states whether a limits file may hold a limit of a reading, and which key its
// [[expect]] needs for it: like, baseline, through, chain, or "" for none.
func InLimits(reading string) (needs string, ok bool) {
	i, ok := originOf(reading)
	if reading == "residual_Nhz_dbfs" {
		i, ok = ofComparison, true
	}
	return map[origin]string{ofComparison: "like", ofBaseline: "baseline", ofRun: "through", ofProof: "chain", ofLatency: "chain", ofOvershoot: "chain"}[i], ok
}

// ofChain reports whether an instrument measures a chain instead of a file.
func (i origin) ofChain() bool { return i >= ofProof }

var (
	perChannel = regexp.MustCompile(`^(.+)_ch([0-9]+)$`)
	// inChannels are the readings that are also given for each channel. A test compares them
	// with what the instruments give.
	inChannels = []string{
		"noise_floor_dbfs", "speech_level_dbfs", "dc_dbfs", "crest_factor_db", "asymmetry_db", "used_bits",
		"gain_db", "residual_dbfs",
	}
)

// thirdNames are the readings of single third octaves.
var thirdNames = sync.OnceValue(func() (names []string) {
	for _, t := range spectra.ThirdOctaves(dsp.MaxRate, dsp.MaxRate) { // at the highest rate: all
		names = append(names, fmt.Sprintf("residual_%dhz_dbfs", spectra.NominalHz(t.Hz)))
	}
	return names
})

// originOf finds the instrument of a reading; readings of one channel, such
// as dc_dbfs_ch2, go by the name without the channel. A name that no instrument ever gives
// has none.
func originOf(reading string) (origin, bool) {
	name, channel, one := ofOneChannel(reading)
	if one && (channel < 1 || channel > dsp.MaxChannels || !slices.Contains(inChannels, name)) {
		return 0, false
	}
	if slices.Contains(thirdNames(), name) {
		return ofComparison, true
	}
	i, known := origins[name]
	return i, known && name != "residual_Nhz_dbfs"
}

// ofOneChannel splits the name of a reading of one channel, from 1.
func ofOneChannel(reading string) (name string, channel int, one bool) {
	m := perChannel.FindStringSubmatch(reading)
	if m == nil {
		return reading, 0, false
	}
	channel, err := strconv.Atoi(m[2])
	if err != nil || m[2][0] == '0' {
		channel = 0
	}
	return m[1], channel, true
}

// unknownReading is the error for a limit in Go of a reading that a single sound does not
// have.
func unknownReading(name string) error {
	var alone []string
	for known, kind := range origins {
		if kind <= ofInspection {
			alone = append(alone, known)
		}
	}
	slices.Sort(alone)
	hint := ""
	if near := tomlfile.Nearest(name, alone); near != "" {
		hint = fmt.Sprintf("; did you mean %s?", near)
	}
	return fmt.Errorf("%s: found no such reading of one sound; accepted: those of measure.Programme and take.Inspect (boothbench explain --readings lists them)%s", name, hint)
}

// readingNames lists the readings that a limit may name, without those of one channel.
func readingNames() []string {
	names := slices.DeleteFunc(slices.Sorted(maps.Keys(origins)), func(name string) bool { return name == "residual_Nhz_dbfs" })
	return append(names, thirdNames()...)
}
