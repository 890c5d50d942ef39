package bench

import (
	"slices"
	"strings"
	"sync"

	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// derivedReadings are those that follow from what the instruments read: families as
// package measure writes them.
var derivedReadings = []string{
	"equivalent_input_noise_{dbu,dbv,a_dbu,a_dbv}", "thermal_noise_{dbu,a_dbu}", "noise_figure_{db,a_db}",
	"headphone_noise_a_db_spl", "output_impedance_ohm", "load_drop_db", "{largest_loss_db,response_spread_db}",
	"maximum_{level,output}_dbu", "gain_range_db", "gain_error_db", "full_scale_input_dbu",
	"latency_added_{frames,ms}", "round_trip_{frames,ms,min_frames,min_ms,max_frames,max_ms,spread_frames,spread_ms}",
	"overshoot_{sample,annex2,fine}_db", "first_window_overshoot_db",
}

// Readings are the names of all readings that a sheet can hold, N standing for a number.
// What a calibration adds in dBu is listed with its level in dBFS, but for what only a
// calibration gives.
func Readings() []string { return slices.Clone(readings()) }

var readings = sync.OnceValue(func() (all []string) {
	families := slices.Clone(derivedReadings)
	for _, description := range instrument.ExampleStimuli() {
		s, err := stimulus.Parse(description)
		if err != nil {
			panic(err) // the texts are of package instrument, and a test parses them
		}
		families = append(families, instrument.ReadingsFor(s)...)
	}
	for _, family := range append(families, instrument.AlignmentReadings...) {
		for _, name := range measure.WrittenOut(family) {
			// A ratio in percent is the one in dB once more, and of a recording
			// correlation_delay is remaining_delay.
			if !strings.HasSuffix(name, "_percent") && name != "mark_over_noise_db" && !strings.HasPrefix(name, "correlation_delay_") && !slices.Contains(all, name) {
				all = append(all, name)
			}
		}
	}
	return all
})

// IsReading reports whether a sheet can hold a reading, by its name with numbers and
// channel: harmonic3_db_ch2.
func IsReading(name string) bool {
	return measure.IsReadingOf(name, readings()...) || measure.IsReadingOf(dBFSName(name), readings()...)
}

// dBFSName is the level in dBFS that a level in dBu was calibrated from.
func dBFSName(name string) string { return strings.Replace(name, "_dbu", "_dbfs", 1) }
