package measuretest

import (
	"math"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// WantReading fails the test unless a reading is within a tolerance of a value.
func WantReading(t testing.TB, r measure.Readings, name string, want, tolerance float64) {
	t.Helper()
	got, ok := r.Get(name)
	switch {
	case !ok:
		t.Errorf("no reading %s", name)
	case !got.Measurable():
		t.Errorf("%s: %v, want %g", name, got, want)
	case !(math.Abs(got.Value-want) <= tolerance):
		t.Errorf("%s: %.6f %s, want %.6f ± %g", name, got.Value, got.Unit, want, tolerance)
	}
}

// WantReason fails the test unless a reading has no value, and a reason with some words.
func WantReason(t testing.TB, r measure.Readings, name, words string) {
	t.Helper()
	if got, ok := r.Get(name); !ok || got.Measurable() || !strings.Contains(got.Reason, words) {
		t.Errorf("%s: found %v (%v), want a reason with %q", name, got, ok, words)
	}
}

// WantNoReading fails the test unless all readings have reasons and no values.
func WantNoReading(t testing.TB, r measure.Readings, names ...string) {
	t.Helper()
	for _, name := range names {
		if got, ok := r.Get(name); !ok || got.Measurable() {
			t.Errorf("%s is %v, want a reason", name, got)
		}
	}
}

// ReadingValue is the value of a reading. It ends the test where there is none.
func ReadingValue(t testing.TB, r measure.Readings, name string) float64 {
	t.Helper()
	v, ok := r.Get(name)
	if !ok || !v.Measurable() {
		t.Fatalf("%s: %v", name, v)
	}
	return v.Value
}

// MakeSignal makes a stimulus, planar, and ends the test on an error.
func MakeSignal(t testing.TB, s stimulus.Signal, rate int) dsp.Block {
	t.Helper()
	b, err := s.Make(rate)
	if err != nil {
		t.Fatal(err)
	}
	return b
}
