package measure

import "github.com/boothbench/boothbench/dsp/wave"

// FormatReadings are what a sound's format says, as readings that a limit can
// bound: channels, rate_hz, duration_s, sample_bits and floating_point.
func FormatReadings(f wave.Format, frames int64) Readings {
	var r Readings
	r.Add("channels", Reading{Value: float64(f.Channels), Unit: "channels", Definition: "the file's header"})
	r.Add("rate_hz", Reading{Value: float64(f.Rate), Unit: "Hz", Definition: "the file's header"})
	duration := Reading{Unit: "s", Definition: "frames over rate"}
	if f.Rate > 0 {
		duration.Value = float64(frames) / float64(f.Rate)
	} else {
		duration.Reason = "the rate is not known"
	}
	r.Add("duration_s", duration)
	floating := 0.0
	if f.Encoding == wave.Float {
		floating = 1
	}
	r.Add("sample_bits", Reading{Value: float64(f.Bits), Unit: "bit", Definition: "the bits a sample that count"})
	r.Add("floating_point", Reading{Value: floating, Definition: "1: the samples are floating point; 0: integers"})
	return r
}
