package instrument

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/measure/internal/testsound"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// With noise in the recording the error of the response is within its bound, and a group delay
// that is lost in the noise is not stated. The device is a wire: 0 dB, 0 ms.
func TestResponseErrorsFromRecordedNoiseAreBounded(t *testing.T) {
	dsptest.Exhaustive(t)
	const rate = 48000
	sweep := stimulus.StandardSweep(-20)
	played := stimulus.Marked{Signal: sweep, Rate: rate}
	for i, db := range []float64{-90, -80, -70, -60, -50} {
		sound := made(t, played)
		for n, v := range testsound.Noise(sound.Frames(), math.Sqrt(3)*math.Pow(10, db/20), uint64(i)) { // rms: uniform noise reaches ±√3 times that
			sound[0][n] += v
		}
		a, err := Align(played, Recording{Sound: sound, Rate: rate})
		if err != nil {
			t.Fatal(err)
		}
		r, err := a.Read(sweep)
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range []string{"response_max_db", "response_min_db"} {
			got, _ := r.Get(name)
			words := strings.Fields(got.Bound)
			at := strings.Index(got.Bound, "±")
			bound, err := strconv.ParseFloat(strings.Fields(got.Bound[at+len("±"):])[0], 64)
			if err != nil {
				t.Fatal(words, err)
			}
			if math.Abs(got.Value) > bound || math.Abs(got.Value) < bound/10 {
				t.Errorf("noise at %g dBFS: %s is %g dB, bound ±%g", db, name, got.Value, bound)
			}
		}
		delay, _ := r.Get("group_delay_at_1khz_ms")
		switch {
		case !delay.Measurable() && db <= -70:
			t.Errorf("noise at %g dBFS: group delay %v", db, delay)
		case delay.Measurable() && math.Abs(delay.Value) > statedMs(t, delay.Bound):
			t.Errorf("noise at %g dBFS: group delay %v, %s", db, delay, delay.Bound)
		}
		t.Log(db, delay, delay.Bound)
		if found := len(a.Findings) > 0; found != (db > -80) {
			t.Errorf("noise at %g dBFS: %v", db, a.Findings)
		}
	}
}
