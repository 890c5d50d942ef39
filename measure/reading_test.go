package measure

import (
	"encoding/json"
	"math"
	"testing"

	"pgregory.net/rapid"
)

// In JSON a value keeps 1e-9 of its unit, from 1000 on 1e-6, and what differs by rounding
// alone reads the same.
func TestReadingJSON(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := rapid.OneOf(rapid.Float64Range(-1e6, 1e6), rapid.Float64Range(-9e8, 9e8)).Draw(t, "value")
		read := func(v float64) float64 {
			text, err := json.Marshal(Reading{Value: v, Unit: "dB", Frame: -1, Channel: -1})
			if err != nil {
				t.Fatal(err)
			}
			var back struct{ Value float64 }
			if err := json.Unmarshal(text, &back); err != nil {
				t.Fatal(err)
			}
			return back.Value
		}
		got := read(want)
		half := 0.5e-9
		if math.Abs(want) >= large {
			half = 0.5e-6
		}
		// Half a step, and the rounding of a double at this size.
		if math.Abs(got-want) > half+math.Abs(want)*3e-16 {
			t.Fatalf("%.17g reads %.17g", want, got)
		}
		for _, beside := range []float64{got, math.Nextafter(got, 1e9), math.Nextafter(got, -1e9)} {
			if again := read(beside); again != got {
				t.Fatalf("%.17g, rounded to %.17g, reads %.17g", beside, got, again)
			}
		}
	})
	for value, want := range map[float64]string{-0.1: "-0.1", math.Copysign(0, -1): "0", -1e-12: "0", 1e300: "1e+300", 0.1 + 0.2: "0.3", 3203.976768284: "3203.976768", 637920: "637920"} {
		text, _ := json.Marshal(Reading{Value: value, Unit: "dB", Frame: -1, Channel: -1})
		if got := string(text); got != `{"value":`+want+`,"unit":"dB"}` {
			t.Errorf("%g: %s", value, got)
		}
	}
}

// Both forms of a ratio have one state: what has no level in dB has no percentage.
func TestPercentIsUndefinedWhereItsLevelIs(t *testing.T) {
	for _, c := range []struct {
		ratio      float64
		about      Reading
		measurable bool
		beyond     int
	}{
		{0.01, Reading{}, true, 0},
		{0, Reading{}, false, -1},
		{1e-13, Reading{}, false, -1},
		{0.01, Reading{Reason: "silence"}, false, 0},
	} {
		var r Readings
		r.AddRatio("harmonic2", c.ratio, c.about)
		for _, x := range r {
			if x.Measurable() != c.measurable || x.Beyond != c.beyond || !c.measurable && x.Value != 0 {
				t.Errorf("ratio %g: %s is %v, beyond %d; want measurable %v, beyond %d", c.ratio, x.Name, x.Reading, x.Beyond, c.measurable, c.beyond)
			}
		}
	}
}
