package bench

import (
	"slices"
	"strings"
	"sync"

	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// derivedReadings are the readings that follow from those of the instruments, as families in
// the notation of package measure.
var derivedReadings = []string{
	"equivalent_input_noise_{dbu,dbv,a_dbu,a_dbv}", "thermal_noise_{dbu,a_dbu}", "noise_figure_{db,a_db}",
	"headphone_noise_a_db_spl", "output_impedance_ohm", "load_drop_db", "{largest_loss_db,response_spread_db}",
	"maximum_{level,output}_dbu", "gain_range_db", "gain_error_db", "full_scale_input_dbu",
	"latency_added_{frames,ms}", "round_trip_{frames,ms,min_frames,min_ms,max_frames,max_ms,spread_frames,spread_ms}",
	"overshoot_{sample,annex2,fine}_db", "first_window_overshoot_db", FindingsReading,
}

// Readings returns the names of all readings that a sheet can hold; N stands for a number. A
// level in dBu that a calibration adds is not listed beside its level in dBFS. Readings that
// exist only with a calibration are listed.
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
			// A ratio in percent repeats the ratio in dB, and in a recording correlation_delay
			// repeats remaining_delay.
			if !strings.HasSuffix(name, "_percent") && name != "mark_over_noise_db" && !strings.HasPrefix(name, "correlation_delay_") && !slices.Contains(all, name) {
				all = append(all, name)
			}
		}
	}
	return all
})

// IsReading reports whether a sheet can hold a reading. The name has its numbers and channel,
// such as harmonic3_db_ch2.
func IsReading(name string) bool {
	return measure.IsReadingOf(name, readings()...) || measure.IsReadingOf(dBFSName(name), readings()...)
}

// dBFSName returns the name of the level in dBFS from which a level in dBu is calibrated.
func dBFSName(name string) string { return strings.Replace(name, "_dbu", "_dbfs", 1) }
