package instrument

import (
	"math"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/internal/testsound"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// A tone at −20 dBFS with harmonics 40 and 50 dB lower, in noise of a known density. Lines have
// their full level, and noise the level in the bandwidth that the table states.
func TestSpectrumTableLevelsOfLinesAndNoise(t *testing.T) {
	const rate, seconds = 48000, 4.0
	noise := testsound.Noise(rate*seconds, 1e-4, 3)
	meanSquare := 0.0
	for _, v := range noise {
		meanSquare += v * v / float64(len(noise))
	}
	x := make([]float64, len(noise))
	for i := range x {
		turn := 2 * math.Pi * float64(i) / rate
		x[i] = noise[i] + 0.1*math.Sin(turn*1000) + 0.001*math.Sin(turn*2000) + 0.1*math.Pow(10, -2.5)*math.Sin(turn*3000)
	}
	response := dsp.Block{x, make([]float64, len(x))}
	tone := HarmonicDistortion{Tone: stimulus.Tone{Hz: 1000, PeakDBFS: -20, Seconds: seconds}}
	for _, i := range []Tabled{tone, IdleNoise{Seconds: seconds, Channels: 2}} {
		table, err := i.Table(rate, response)
		if err != nil {
			t.Fatal(err)
		}
		if n := len(table.Columns); n != 4 || table.Columns[1] != "level_dbfs_ch1" || table.Columns[3] != "noise_bandwidth_hz" {
			t.Fatalf("found the columns %q", table.Columns)
		}
		around := func(hz float64) float64 {
			largest := math.Inf(-1)
			for _, row := range table.Rows {
				if math.Abs(row[0]-hz) < 2 {
					largest = max(largest, row[1])
				}
			}
			return largest
		}
		// A line between two bins is up to 0.35 dB low through the 7-term window (its
		// scalloping loss at half a bin, computed from its coefficients).
		for hz, want := range map[float64]float64{1000: -20, 2000: -60, 3000: -70} {
			if got := around(hz); math.Abs(got-want) > 0.4 {
				t.Errorf("%T: %g Hz has %.2f dBFS; accepted: %g", i, hz, got, want)
			}
		}
		sum, count := 0.0, 0
		for _, row := range table.Rows {
			if row[0] > 5000 && row[0] < 20000 {
				sum += math.Pow(10, row[1]/10)
				count++
			}
		}
		bandwidth := table.Rows[0][3]
		got, want := 10*math.Log10(sum/float64(count)/bandwidth), 10*math.Log10(2*meanSquare/(rate/2))
		// The mean over some 15,000 bins, of which every third is independent: 0.1 dB is four
		// times its standard deviation.
		if math.Abs(got-want) > 0.1 {
			t.Errorf("%T: the noise has %.2f dBFS in 1 Hz; accepted: %.2f", i, got, want)
		}
		if last := table.Rows[100][2]; !math.IsInf(last, -1) {
			t.Errorf("%T: the silent channel has %g dBFS", i, last)
		}
		if _, err := i.Table(rate, dsp.Block{x[:rate]}); err == nil {
			t.Errorf("%T: a response of one second has a table", i)
		}
	}
}
