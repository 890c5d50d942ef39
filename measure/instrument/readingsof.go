package instrument

import (
	"slices"
	"strings"

	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// readingsOf lists the readings of an instrument, with families as package measure writes them.
// A test compares the list with the readings that each instrument gives.
func readingsOf(i Instrument) []string {
	switch i.(type) {
	case HarmonicDistortion:
		return []string{"tone_{hz,dbfs}", "harmonicN_{db,percent}", "thd_{fundamental,total}_{db,percent}", "thd_plus_noise_{db,percent}"}
	case Crosstalk:
		return []string{"crosstalk_NtoN_db"}
	case ChannelBalance:
		return []string{"channel_balance_NtoN_db"}
	case DynamicRange:
		return []string{"dynamic_range_{db,a_db,ccir_rms_db}", "tone_{hz,dbfs}"}
	case GainLinearity:
		return []string{"gain_db", "linearity_{mN,N,worst}_db"}
	case MaximumLevel:
		return []string{"maximum_{level,output}_dbfs", "converter_headroom_db"}
	case ModulationDistortion:
		return []string{"{low,high}_tone_{hz,dbfs}", "modulation_distortion{N,_aes17}_{db,percent}"}
	case DifferenceDistortion:
		return []string{"{low,high}_tone_{hz,dbfs}", "difference_distortion{N,_aes17}_{db,percent}"}
	case SweepResponse:
		return append(readingsOf(MultitoneResponse{}), "bell_{hz,gain_db,q}")
	case MultitoneResponse:
		return []string{"gain_at_Nkhz_db", "group_delay_at_Nkhz_ms", "response_{max,min}_db", "{lower,upper}_corner_hz", "ripple_db"}
	case SweepDistortion:
		return []string{"harmonicN_{at_1khz,max}_db"}
	case CorrelationDelay:
		return []string{"correlation_delay_{frames,ms}", "echo_{delay_frames,delay_ms,level_db}", "group_delay_at_N{hz,khz}_ms"}
	case Latency:
		return []string{"{latency,largest_sample}_{frames,ms}", "echo_{delay_frames,delay_ms,level_db}", "polarity"}
	case IdleNoise:
		return []string{"idle_noise_{rms,a,ccir_rms,quasi_peak}_dbfs", "idle_noise_dbfs"}
	case MainsProducts:
		return []string{"{mainsN_dbfs,mains_hz,mains_sum_dbfs}"}
	case StaticCurve:
		return []string{"{plateau_gain_db,curve_error_db,unsettled_steps,hysteresis_db}", "{compression,expansion}_{threshold_dbfs,ratio,knee_db}", "compression_slope", "expansion_range_db"}
	case StepResponse:
		return []string{"{attack,release}_{ms,10_90_ms,within_2db_ms,begins_ms,change_db}", "step_overshoot_db"}
	case DetectorType:
		return []string{"detector_crest_db"}
	case ChannelLink:
		return []string{"channel_gain_difference_db"}
	case LimitCycle:
		return []string{"{idle_tail_peak_dbfs,decay_to_zero_ms,limit_cycle_hz,limit_cycle_period_frames}"}
	}
	return nil
}

// RequestedReadings lists the readings of [Requested], for signals for which [IsResponseSignal] is
// true.
var RequestedReadings = []string{"gain_at_N{hz,khz}_db", "corner_hz", "slope_db_per_octave", "mask_excess_db"}

// AlignmentReadings lists the readings of [Align], which every recorded stimulus has.
// remaining_delay is the correlation_delay that is left after the alignment.
var AlignmentReadings = []string{"latency_{frames,ms}", "remaining_delay_{frames,ms}", "gain_db", "polarity", "drift_ppm", "noise_dbfs", "mark_over_noise_db"}

// ReadingsFor lists the readings of a response to a signal by all of its instruments, with
// families as package measure writes them.
func ReadingsFor(s stimulus.Signal) []string {
	var all []string
	for _, i := range For(s) {
		all = append(all, readingsOf(i)...)
	}
	return all
}

// examples have at least one signal for each instrument, as boothbench gauge and claims files
// take it, the simplest first.
var examples = []string{
	"kind=tone", "kind=tone channels=2", "kind=tone channels=2 only=1", "kind=tone hz=997 peak_dbfs=-60 seconds=10",
	"kind=tone-series", "kind=tone-series from_dbfs=-20 to_dbfs=0 step_db=0.5",
	"kind=twin-tone", "kind=twin-tone low_hz=18000 high_hz=20000",
	"kind=sweep", "kind=multitone", "kind=impulse", "kind=silence", "kind=stepped-tone", "kind=level-step",
	"kind=crest-tones", "kind=link-tones", "kind=tone-then-silence",
}

// ExampleStimuli are descriptions of signals (see [stimulus.Parse]), at least one for each
// instrument.
func ExampleStimuli() []string { return slices.Clone(examples) }

// StimuliOf lists the signals whose response gives a reading, with the settings that they need:
// "kind=tone channels=2 only=1".
func StimuliOf(reading string) (all []string) {
	for _, text := range examples {
		s, err := stimulus.Parse(text)
		if err != nil {
			panic(err) // the texts are constants, and a test parses them
		}
		wider := false // it is a listed signal with further settings
		for _, known := range all {
			wider = wider || strings.HasPrefix(text, known+" ")
		}
		if !wider && givesByName(reading, ReadingsFor(s)) {
			all = append(all, text)
		}
	}
	return all
}

// givesByName reports whether families include a reading; an N in its name is a number.
func givesByName(reading string, families []string) bool {
	return measure.IsReadingOf(strings.ReplaceAll(reading, "N", "2"), families...)
}
