package report

import (
	"strings"
	"testing"

	"github.com/boothbench/boothbench/measure/stimulus"
)

// No kind of signal is shown by its settings as a file has them, such as hz=997.
func TestSignalsAreInWords(t *testing.T) {
	for _, k := range stimulus.Kinds() {
		got := inWords(k.Default)
		if strings.ContainsAny(got, "=_-") || !strings.HasPrefix(got, spaced(k.Name())) {
			t.Errorf("%s is %q", k.Name(), got)
		}
	}
	for in, want := range map[string]string{
		"kind=tone hz=997 peak_dbfs=-20 seconds=3 channels=1 only=0":                                         "tone, 997 Hz, peak −20 dBFS, 3 s",
		"kind=sweep from_hz=5 to_hz=22000 seconds=10 peak_dbfs=-20 channels=2":                               "sweep, from 5 Hz to 22000 Hz, 10 s, peak −20 dBFS, 2 channels",
		"kind=stepped-tone hz=997 from_dbfs=-40 to_dbfs=-10 step_db=5 step_seconds=0.2 back=true channels=1": "stepped tone, 997 Hz, from −40 dBFS to −10 dBFS, steps of 5 dB, 0.2 s each, and back",
		"997 Hz in steps of 0.5 dB from -56.0 to -37.0 dBFS":                                                 "997 Hz in steps of 0.5 dB from −56.0 to −37.0 dBFS",
		"":             "",
		"kind=":        "",
		"kind=x to_hz": "x, to_hz",
	} {
		if got := describedInWords(in); got != want {
			t.Errorf("%q is %q; accepted: %q", in, got, want)
		}
	}
	if got := spaced("distortion-and-noise at -6 dBFS"); got != "distortion and noise at −6 dBFS" {
		t.Errorf("a level loses its sign: %q", got)
	}
}
