package main

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/bench"
	"github.com/boothbench/boothbench/measure/expect"
	"github.com/boothbench/boothbench/measure/instrument"
)

// givenBy lists families of readings with the command that prints them. The readings of
// test signals are not listed: boothbench gauge prints them.
var givenBy = [][2]string{
	{"{integrated_lufs,loudness_range_lu,momentary_max_lufs,short_term_max_lufs,peak_to_loudness_lu,sample_peak_dbfs,true_peak_dbtp,true_peak_annex2_dbtp,true_peak_fine_dbtp}", "meter FILE"},
	{"{channels,rate_hz,duration_s,sample_bits,floating_point}", "check FILE --limits LIMITS.toml"},
	{"noise_floor_{dbfs,a_dbfs,c_dbfs,bs468_dbfs}", "inspect FILE"},
	{"{lower_noise_floor_dbfs,higher_noise_share,pauses_ms,noise_variation,softer_speech_dbfs,louder_speech_dbfs,speech_level_dbfs,speech_to_noise_db,hum_hz,hum_level_dbfs,dc_dbfs,crest_factor_db,asymmetry_db,used_bits,sample_peak_dbfs}", "inspect FILE"},
	{"{clips,flat_tops,dropouts,plosives,sibilants,highest_content_hz,correlation,channel_delay_frames,channel_gain_db}", "inspect FILE"},
	{"{missing_ms,extra_ms,similarity,delay_frames,delay_ms,drift_ppm,polarity,gain_db,gain_low_levels_db,gain_high_levels_db,residual_dbfs,residual_a_dbfs,residual_Nhz_dbfs,null_depth_db,unexplained_dbfs,largest_difference_dbfs,first_difference_frames,changed_samples,dropouts_a,dropouts_b}", "compare A B"},
	{"{response_difference_db,response_difference_hz,integrated_difference_lu,range_difference_lu,sample_peak_difference_db,true_peak_difference_db,noise_floor_difference_db,noise_floor_a_difference_db}", "compare A B"},
	{"{same_samples,sample_bits_change,used_bits_change,frames_change,integrated_change_lu,range_change_lu,true_peak_change_db,spectrum_change_db,level_change_db,delay_change_frames,gain_change_db,difference_change_dbfs,local_changes}", "check FILE --baseline FOLDER"},
	{"{expander,compressor,de_esser,limiter}_{reduction_median_db,reduction_p95_db,reduction_most_db,working_percent}", "check FILE --limits LIMITS.toml"},
	{"claims_{passed,failed,undecided}", "check --limits LIMITS.toml"},
	{"{remaining_delay_frames,remaining_delay_ms}", "gauge --recording SWEEP RECORDING"},
	{"{latency_frames,latency_ms,polarity,gain_db,drift_ppm,noise_dbfs,mark_over_noise_db}", "gauge --recording STIMULUS RECORDING"},
	{"overshoot_{sample,annex2,fine}_db", "overshoot"},
	{"{first_window_overshoot_db,time_over_ceiling_ms,over_events,image_shift_db}", "overshoot"},
	{"{gain_at_Nhz_db,gain_at_Nkhz_db,corner_hz,slope_db_per_octave,mask_excess_db}", "prove --claims CLAIMS.toml"},
	{"{response_deviation_db,curve_deviation_db,corner_hz,slope_db_per_octave,centre_hz,bell_gain_db,bell_q,shelf_hz,notch_hz,notch_depth_db,notch_q}", "prove CHAIN"},
	{"{shelf_gain_db,shelf_q}", "(in Go: instrument.FrequencyResponse.ShelfReadings)"},
	{"{programme_level_db,programme_gain_trace_db,programme_residual_db,programme_largest_difference_dbfs,repeat_changed_samples,rounding_noise_lsb,rounding_mean_lsb,rounding_peak_lsb}", "prove CHAIN"},
	{"{equivalent_input_noise_dbu,equivalent_input_noise_dbv,thermal_noise_dbu,noise_figure_db}", "units ein"},
	{"{equivalent_input_noise_a_dbu,equivalent_input_noise_a_dbv,thermal_noise_a_dbu,noise_figure_a_db,headphone_noise_a_db_spl,maximum_level_dbu,maximum_output_dbu,gain_range_db,gain_error_db,full_scale_input_dbu,latency_added_frames,latency_added_ms}", "bench run PLAN.toml"},
	{"findings", "bench run PLAN.toml"},
	{"{output_impedance_ohm,load_drop_db}", "units output-impedance"},
	{"{largest_loss_db,response_spread_db}", "units loading"},
	{"overs_clamped_samples", "process FILE --json"},
	{"round_trip_{frames,ms,min_frames,min_ms,max_frames,max_ms,spread_frames,spread_ms}", "bench run PLAN.toml"},
}

// availability lists the commands that print a reading, and the files that can hold a limit
// for it.
type availability struct {
	Reading  string   `json:"reading"`
	Commands []string `json:"commands"`
	Limits   string   `json:"limits,omitempty"` // what an [[expect]] of a limits file needs for it
	Claims   []string `json:"claims,omitempty"` // stimuli of a claims file
	Sheet    bool     `json:"sheet"`            // a device's sheet holds it, and a [[claim]] of a plan may be about it
}

// The words of availability.Limits where an [[expect]] needs no other key, and of
// availability.Claims where any stimulus will do.
const (
	ofFiles      = "files"
	ofRecordings = "any stimulus with --recording"
)

// availabilityOf returns the availability of a reading by its name in measure.ReadingNames.
func availabilityOf(reading string) availability {
	s := availability{Reading: reading, Commands: []string{}}
	for _, row := range givenBy {
		if hasName(reading, row[0]) {
			s.Commands = append(s.Commands, commandText(row[1]))
		}
	}
	stimuli := instrument.StimuliOf(reading)
	for _, text := range stimuli {
		s.Commands = append(s.Commands, "boothbench gauge "+flagsOf(text))
	}
	if needs, ok := expect.InLimits(reading); ok {
		s.Limits = ofFiles
		if needs != "" {
			s.Limits = needs + " = …"
		}
	}
	s.Claims = stimuli
	asked := false
	for _, family := range instrument.RequestedReadings {
		asked = asked || hasName(reading, family)
	}
	if asked {
		s.Claims = []string{"kind=sweep", "kind=multitone"}
	}
	recorded := false
	for _, family := range instrument.AlignmentReadings {
		recorded = recorded || hasName(reading, family)
	}
	if recorded {
		s.Claims = append(s.Claims, ofRecordings)
	}
	s.Sheet = slices.Contains(bench.Readings(), reading)
	return s
}

// hasName reports whether a family has a reading among its names, as they are written out.
func hasName(reading, family string) bool {
	for _, name := range measure.WrittenOut(family) {
		if name == reading {
			return true
		}
	}
	return false
}

func commandText(words string) string {
	if strings.HasPrefix(words, "(") {
		return words
	}
	return "boothbench " + words
}

// flagsOf is a description of a signal as flags: "tone --channels 2" for "kind=tone
// channels=2".
func flagsOf(description string) string {
	words := strings.Fields(strings.TrimPrefix(description, "kind="))
	for i, w := range words[1:] {
		key, value, _ := strings.Cut(w, "=")
		words[i+1] = "--" + flagOf(key) + " " + value
	}
	return strings.Join(words, " ")
}

// files lists the kinds of file that can hold a limit for the reading.
func (s availability) files() string {
	var all []string
	switch s.Limits {
	case "":
	case ofFiles:
		all = append(all, "a limits file")
	default:
		all = append(all, "a limits file with "+s.Limits)
	}
	if len(s.Claims) > 0 {
		all = append(all, "a claims file ("+strings.Join(s.Claims, ", or ")+")")
	}
	if s.Sheet {
		all = append(all, "a device's sheet")
	}
	if len(all) == 0 {
		return "no file"
	}
	return strings.Join(all, "; ")
}

func (s availability) String() string {
	return fmt.Sprintf("  Printed by: %s\n  Can be limited in: %s", strings.Join(s.Commands, ", or "), s.files())
}

// writtenName is the name by which the table lists a reading: harmonicN_db for
// harmonic3_db_ch2.
func writtenName(reading string) (string, bool) {
	for _, name := range measure.ReadingNames() {
		if name == reading || measure.IsReadingOf(reading, name) {
			return name, true
		}
	}
	return "", false
}

// listReadings prints, on one line for each reading, the commands that print it and the
// files that can hold a limit for it.
func listReadings(w io.Writer) {
	fmt.Fprint(w, "N stands for a number, with p as decimal point: gain_at_31p5hz_db. Where there are several channels the names end in _ch1 and so on; a limit without that ending applies to every channel. A sheet is the file that boothbench bench writes; a [[claim]] of its plan can limit its readings, and so can an [[expect]] of a limits file with sheet = \"device.json\".\n\n")
	fmt.Fprintf(w, "%-36s | %s | %s\n", "reading", "printed by", "limited in")
	for _, name := range measure.ReadingNames() {
		s := availabilityOf(name)
		fmt.Fprintf(w, "%-36s | %s | %s\n", name, strings.Join(s.Commands, ", or "), s.files())
	}
}
