package instrument

import (
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/spectra"
)

// spectrumTable is the spectrum of each channel between two frames. Its columns are the
// frequency, the level of a line there by AES17-2015 3.12 (a full-scale sine is 0 dBFS), and
// the bandwidth in Hz to which the level of noise refers.
func spectrumTable(rate int, response Response, from, to int) (measure.Table, error) {
	t := measure.Table{Columns: []string{"frequency_hz"}}
	_, err := eachChannel(response, from, to, func(x []float64) measure.Readings {
		c := len(t.Columns) - 1
		t.Columns = append(t.Columns, ofChannel(measure.Readings{{Name: "level_dbfs"}}, c, response.Channels())[0].Name)
		spectrum := spectra.Of(x, rate)
		for i, row := range spectrum.Rows() {
			if c == 0 {
				t.Rows = append(t.Rows, []float64{row.Hz})
			}
			t.Rows[i] = append(t.Rows[i], dsp.PowerToDB(2*row.MeanSquare))
		}
		if c == response.Channels()-1 {
			t.Columns = append(t.Columns, "noise_bandwidth_hz")
			noise := spectrum.NoiseHz()
			for i := range t.Rows {
				t.Rows[i] = append(t.Rows[i], noise)
			}
		}
		return nil
	})
	return t, err
}

// Table is the spectrum of the steady part.
func (h HarmonicDistortion) Table(rate int, response Response) (measure.Table, error) {
	from, to := toneFrames(rate, h.Tone.Seconds, h.SettleMs)
	return spectrumTable(rate, response, from, to)
}

// Table is the spectrum of the noise.
func (i IdleNoise) Table(rate int, response Response) (measure.Table, error) {
	from, to := idleFrames(rate, i.seconds(), i.SettleMs)
	return spectrumTable(rate, response, from, to)
}
