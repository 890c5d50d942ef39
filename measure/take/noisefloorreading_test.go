package take

import (
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/testsound"
)

// NoiseFloor reads what Inspect reads, to the bit, or gives the same reason.
func TestNoiseFloorIsThatOfTheInspection(t *testing.T) {
	stereo, rate := testsound.StereoTake(t)
	for name, sound := range map[string]dsp.Block{
		"stereo": {stereo[0][:4*rate], stereo[1][:4*rate]}, "generated": {testsound.SpeechTake(-60, 3)[:4*rate]},
		"short": {stereo[0][:rate/10]}, "silence": dsp.NewBlock(1, rate),
	} {
		open := func() (wave.Source, error) { return wave.NewMemory(wave.Unquantised(rate, len(sound)), sound), nil }
		in, err := Inspect(t.Context(), open)
		if err != nil {
			t.Fatal(err)
		}
		src, _ := open()
		handed := 0
		only, err := NoiseFloor(t.Context(), 2, src, open, func(b dsp.Block) { handed += b.Frames() })
		if err != nil {
			t.Fatal(err)
		}
		if handed != sound.Frames() {
			t.Errorf("%s: %d of %d frames handed on", name, handed, sound.Frames())
		}
		for _, reading := range []string{"noise_floor_dbfs", "noise_floor_a_dbfs"} {
			got, found := only.Get(reading)
			want, _ := in.Readings.Get(reading)
			if !found || got.Value != want.Value || got.Measurable() != (want.Measurable() && in.Readings != nil && named(in.Readings, reading)) {
				t.Errorf("%s: %s is %v, the inspection has %v", name, reading, got, want)
			}
		}
	}
}

func named(r measure.Readings, name string) bool {
	_, found := r.Get(name)
	return found
}
