package take

import (
	"context"
	"math"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/internal/testsound"
)

// The table of the pauses' noise says the same as the reading: the sum over its bins, by
// the bandwidth that it states, is the noise floor; and the pauses lie where no tone is.
func TestTableOfThePausesSumsToTheNoiseFloor(t *testing.T) {
	const rate = 48000
	x := testsound.Noise(8*rate, 0.001, 2)
	for i := range x {
		if i/rate%2 == 1 { // every other second a loud tone
			x[i] += 0.1 * math.Sin(2*math.Pi*440*float64(i)/rate)
		}
	}
	in, err := Inspect(context.Background(), func() (wave.Source, error) {
		return wave.NewMemory(wave.Unquantised(rate, 1), dsp.Block{x}), nil
	})
	if err != nil {
		t.Fatal(err)
	}
	floor, _ := in.Readings.Get("noise_floor_dbfs")
	if len(in.Pauses) != 1 || !floor.Measurable() {
		t.Fatalf("found pauses of %d channels, and %v", len(in.Pauses), floor)
	}
	for _, s := range in.Pauses[0].Stretches {
		if s[1] <= s[0] || s[0]/rate%2 == 1 && (s[0]+rate/10)/rate%2 == 1 {
			t.Errorf("a pause from %d to %d", s[0], s[1])
		}
	}
	table, sum := in.Pauses[0].Noise, 0.0
	bin := table.Rows[1][0] - table.Rows[0][0]
	for _, row := range table.Rows {
		if row[0] >= 20 {
			sum += math.Pow(10, row[1]/10) * bin / row[2]
		}
	}
	// The first bins are wider than what lies ahead of 20 Hz: 0.1 dB.
	if got := 10 * math.Log10(sum); math.Abs(got-floor.Value) > 0.1 {
		t.Errorf("the table has %.2f dBFS, the reading %v", got, floor)
	}
}
