package main

import "testing"

// An uncertainty is printed where it reaches the last digit of the value, and a bound is
// called one.
func TestUncertaintyBehindAValue(t *testing.T) {
	for _, c := range []struct{ bound, value, unit, want string }{
		{"±0.03 dB by the noise beside it", "-52.31", "dB", "  ±0.03 dB"}, // once hidden, as all under 0.05
		{"±0.005 dB by the noise beside it", "-52.31", "dB", ""},
		{"±0.005 ms, 95 % of what noise does", "0.0012", "ms", "  ±0.005 ms"},
		{"±0.02, 95 % of what the steps leave open", "3.40", "to", "  ±0.02"},
		{"±1e-06 dB by the noise", "0.0000011", "%", ""},
		{"a corner fits the steps as well: an upper bound", "1.90", "dB", "  at most"},
		{"", "1.90", "dB", ""},
	} {
		if got := openBy(c.bound, c.value, c.unit); got != c.want {
			t.Errorf("%s behind %s %s: %q, want %q", c.bound, c.value, c.unit, got, c.want)
		}
	}
}
