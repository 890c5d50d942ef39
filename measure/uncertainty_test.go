package measure

import "testing"

// An uncertainty stands beside the value where it reaches the last digit, and an upper
// bound is called one.
func TestUncertaintyBesideAValue(t *testing.T) {
	for _, c := range []struct {
		bound string
		value float64
		unit  string
		want  string
	}{
		{"±0.03 dB by the noise beside it", -52.31, "dB", "±0.03 dB"}, // once hidden, as all under 0.05
		{"±0.005 dB by the noise beside it", -52.31, "dB", ""},
		{"±0.005 ms, 95 % of what noise does", 0.0012, "ms", "±0.005 ms"},
		{"±0.02, 95 % of what the steps leave open", 3.4, "to 1", "±0.02"},
		{"±1.3e-13 % by the noise", 0.0000011, "%", ""},
		{"±0.0003 % by the noise", 0.0021, "%", "±0.0003 %"},
		{"a corner fits the steps as well: an upper bound", 1.9, "dB", "at most"},
		{"", 1.9, "dB", ""},
	} {
		r := Reading{Bound: c.bound, Value: c.value, Unit: c.unit}
		if got := r.Uncertainty(); got != c.want {
			t.Errorf("%s beside %v: %q, want %q", c.bound, r, got, c.want)
		}
		if r.Reason = "silence"; r.Uncertainty() != "" {
			t.Errorf("%s: what has no value has an uncertainty", c.bound)
		}
	}
}

// A ratio's ± is in dB beside its dB, and in % beside its %: 1 dB more than 2 % is 2.244 %
// (10^(1/20) = 1.122).
func TestRatioBoundHasTheUnitOfEachReading(t *testing.T) {
	var r Readings
	r.AddRatio("thd", 0.02, Reading{Bound: "±1 dB by the noise"})
	for name, want := range map[string]string{"thd_db": "±1 dB by the noise", "thd_percent": "±0.24 % by the noise"} {
		if got, _ := r.Get(name); got.Bound != want {
			t.Errorf("%s: %q, want %q", name, got.Bound, want)
		}
	}
}
