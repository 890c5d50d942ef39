package instrument

import (
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// MaximumLevel finds the level up to which a device does not distort (AES17-2015 6.2.1): where
// THD+N reaches −40 dB (1 %) or the gain has fallen by 0.3 dB, whichever is lower. The series is
// necessarily loud.
type MaximumLevel struct {
	Series   stimulus.ToneSeries // rising; the error is at most one step
	SettleMs int                 // left out at the start of each step; 0 means 400
}

// Stimulus is the series.
func (m MaximumLevel) Stimulus() stimulus.Signal { return m.Series }

// The limits of AES17-2015 6.2.1.
const (
	maximumTHDPlusNoiseDB = -40
	maximumCompressionDB  = 0.3
)

// Analyse reads maximum_level_dbfs, which is at the input, maximum_output_dbfs and
// converter_headroom_db.
func (m MaximumLevel) Analyse(rate int, response Response) (measure.Readings, error) {
	if m.Series.ToDBFS <= m.Series.FromDBFS {
		return nil, fmt.Errorf("the series has to rise; found %g to %g dBFS", m.Series.FromDBFS, m.Series.ToDBFS)
	}
	return eachStep(m.Series, m.SettleMs, rate, response, m.readings)
}

// pastLimit is a step and by how many dB it exceeds both limits.
type pastLimit struct {
	in, out                float64 // dBFS
	distortion, compressed float64 // more than 0: over the limit
}

func (m MaximumLevel) readings(rate int, steps []seriesStep) measure.Readings {
	input := measure.Reading{Unit: "dBFS", Reference: aes17Scale + "; at the input", Weighting: "none", Definition: "AES17-2015 6.2.1"}
	output := measure.Reading{Unit: "dBFS", Reference: aes17Scale + "; at the output", Weighting: "none", Definition: "level of the tone there"}
	largest := 0.0
	for _, s := range steps {
		for _, v := range s.sound {
			largest = max(largest, math.Abs(v))
		}
	}
	both := func(reason string) measure.Readings {
		input.Reason, output.Reason = reason, reason
		var r measure.Readings
		r.Add("maximum_level_dbfs", input)
		r.Add("maximum_output_dbfs", output)
		headroom, silent := 1/(largest*largest), ""
		if largest == 0 {
			headroom, silent = 1, "silence"
		}
		r.AddLevel("converter_headroom_db", headroom, measure.Reading{Reason: silent, Unit: "dB", Reference: "the largest sample of the series", Definition: "full scale less that sample; 0: the converter's own full scale was reached"})
		return r
	}
	var before pastLimit
	gain := 0.0
	for i, s := range steps {
		t, reason := takeApart(s.sound, rate, m.Series.Hz)
		if reason != "" {
			return both(fmt.Sprintf("at %g dBFS: %s", s.dbfs, reason))
		}
		out := dsp.AmplitudeToDB(t.peak(0))
		if i == 0 {
			gain = out - s.dbfs
		}
		ratio, _ := thdPlusNoise(t)
		now := pastLimit{s.dbfs, out, dsp.AmplitudeToDB(max(1e-15, ratio)) - maximumTHDPlusNoiseDB, gain - (out - s.dbfs) - maximumCompressionDB}
		if now.distortion <= 0 && now.compressed <= 0 {
			before = now
			continue
		}
		if i == 0 {
			return both(fmt.Sprintf("the limit is passed at %g dBFS already, the lowest level of the series: play lower levels", s.dbfs))
		}
		share, by := crossing(before.distortion, now.distortion), fmt.Sprintf("THD+N of %d dB", maximumTHDPlusNoiseDB)
		if c := crossing(before.compressed, now.compressed); c < share {
			share, by = c, fmt.Sprintf("compression by %g dB", maximumCompressionDB)
		}
		if now.distortion-before.distortion > abruptDB {
			share = 0.5
		}
		step := now.in - before.in
		off := max(share, 1-share) * step
		input.Value = before.in + share*step
		output.Value = before.out + share*(now.out-before.out)
		input.Bound = fmt.Sprintf("±%.2g dB: %s, between %g and %g dBFS", off, by, before.in, now.in)
		output.Bound = fmt.Sprintf("±%.2g dB", off)
		return both("")
	}
	return both(fmt.Sprintf("not reached: at %g dBFS, the highest level of the series, THD+N is %.1f dB and the gain has changed by %.2f dB", before.in, before.distortion+maximumTHDPlusNoiseDB, -before.compressed-maximumCompressionDB))
}

// abruptDB is a rise of THD+N between two steps for which linear interpolation is wrong: a path
// that clips hard reaches its limit somewhere between the two.
const abruptDB = 6

// crossing is where a line from one value to another reaches 0, as a share of the distance; 1
// or more if it does not.
func crossing(from, to float64) float64 {
	if to <= 0 {
		return 2
	}
	return -from / (to - from)
}
