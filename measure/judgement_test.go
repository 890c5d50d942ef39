package measure

import (
	"math"
	"strings"
	"testing"
)

func TestJudge(t *testing.T) {
	reading := func(v float64) Readings {
		return Readings{{Name: "true_peak_dbtp", Reading: Reading{Value: v, Unit: "dBTP", Frame: 480, Channel: 0}}}
	}
	for _, c := range []struct {
		value float64
		limit Limit
		want  Verdict
	}{
		{-1, AtMost("true_peak_dbtp", -1), Pass},
		{-0.999999, AtMost("true_peak_dbtp", -1), Fail},
		{-1, AtLeast("true_peak_dbtp", -1), Pass},
		{-1.000001, AtLeast("true_peak_dbtp", -1), Fail},
		{-1, AtMost("no_such_reading", -1), Undecided},
	} {
		if got := Judge("x.wav", 48000, reading(c.value), c.limit); got.Verdict != c.want {
			t.Errorf("%g against %s: %s, want %s", c.value, c.limit, got.Verdict, c.want)
		}
	}
	// Exactly 0 is under every level, and no level at all is not.
	nothing := Readings{}
	nothing.AddLevel("residual_dbfs", 0, Reading{Unit: "dBFS"})
	for limit, want := range map[Limit]Verdict{AtMost("residual_dbfs", -120): Pass, AtLeast("residual_dbfs", -120): Fail} {
		if got := Judge("x.wav", 48000, nothing, limit); got.Verdict != want {
			t.Errorf("exactly 0 against %s: %s, want %s", limit, got.Verdict, want)
		}
	}
	if got, want := Judge("x.wav", 48000, nothing, AtMost("residual_dbfs", -120)).String(), "pass       x.wav: residual_dbfs is exactly 0, limit at most -120 dBFS"; got != want {
		t.Errorf("%s\nwant %s", got, want)
	}
	// What no instrument gave, of a sound of which nothing could be measured, has that reason.
	empty := Readings{{Name: "noise_floor_dbfs", Reading: Reading{Reason: "no sound: 0 frames"}}, {Name: "dc_dbfs", Reading: Reading{Reason: "no sound: 0 frames"}}}
	for _, c := range []struct {
		readings Readings
		reason   string
	}{
		{empty, "no sound: 0 frames"},
		{append(empty[:1:1], Named{Name: "dc_dbfs", Reading: Reading{Reason: "too short"}}), "no instrument gave it"},
		{append(empty[:1:1], reading(-1)...), "no instrument gave it"},
		{nothing, "no instrument gave it"}, // exactly 0 is a result
		{nil, "no instrument gave it"},
	} {
		if got := Judge("x.wav", 48000, c.readings, AtMost("clips", 0)); got.Verdict != Undecided || got.Got.Reason != c.reason {
			t.Errorf("clips among %v: %v, want %s", c.readings, got, c.reason)
		}
	}
	if got := Judge("x.wav", 48000, empty, AtMost("loudness", 0)); got.Got.Reason != "no instrument gave it" { // there is no such reading
		t.Error(got)
	}
	got := Judge("x.wav", 48000, reading(-0.4), AtMost("true_peak_dbtp", -1)).String()
	want := "fail       x.wav: true_peak_dbtp is -0.40 dBTP at 00:00:00.010 (frame 480), limit at most -1 dBTP: lower the level by 0.60 dB, or end the chain with a limiter"
	if got != want {
		t.Errorf("%s\nwant %s", got, want)
	}
	// What lies beyond a limit by rounding alone meets it; what lies beyond it by more never
	// reads "0.00 too much".
	if got := Judge("x.wav", 48000, reading(-1+1e-12), AtMost("true_peak_dbtp", -1)); got.Verdict != Pass {
		t.Error(got)
	}
	for _, over := range []float64{2e-9, 1e-7, 1e-5, 0.004} {
		j := Judge("x", 0, Readings{{Name: "overshoot_fine_db", Reading: Reading{Value: over, Unit: "dB", Frame: -1}}}, AtMost("overshoot_fine_db", 0))
		if text := j.String(); j.Verdict != Fail || strings.Contains(text, "is 0.00 ") || strings.Contains(text, ": 0.00 dB") || strings.Contains(text, " 0.000000 ") {
			t.Error(text)
		}
	}
	// A value that rounds to its limit shows why it is outside.
	got = Judge("x.wav", 48000, reading(-0.9999), AtMost("true_peak_dbtp", -1)).String()
	want = "fail       x.wav: true_peak_dbtp is -0.999900 dBTP at 00:00:00.010 (frame 480), limit at most -1 dBTP: lower the level by 0.000100 dB, or end the chain with a limiter"
	if got != want {
		t.Errorf("%s\nwant %s", got, want)
	}
}

// A limit is of the reading that it names or, where only channels have one, of each.
func TestLimitWithoutAChannelHoldsForEach(t *testing.T) {
	r := Readings{{Name: "dc_dbfs_ch1"}, {Name: "dc_dbfs_ch2"}, {Name: "dc_dbfs_chain"}, {Name: "x"}, {Name: "x_ch1"}}
	for reading, want := range map[string]int{"dc_dbfs": 2, "x": 1, "nothing": 1, "dc_dbfs_ch2": 1} {
		got := AtMost(reading, 0).InEachChannel(r)
		if len(got) != want || want == 1 && got[0].Reading != reading || want == 2 && (got[0].Reading != "dc_dbfs_ch1" || got[1].Reading != "dc_dbfs_ch2") {
			t.Errorf("%s: %+v", reading, got)
		}
	}
	c := Calibration{FullScaleDBu: 16}
	if got, ok := (Readings{{Name: "tone_dbfs_ch2", Reading: Reading{Value: -20, Unit: "dBFS"}}}).Calibrated(c).Get("tone_dbu_ch2"); !ok || got.Value != -4 {
		t.Errorf("a channel's level in dBu is %+v, want -4", got)
	}
}

// A limit shows a bound as it was written, and of a computed one no more digits than its
// width is worth.
func TestLimitInWords(t *testing.T) {
	for want, l := range map[string]Limit{
		"at most -1":             AtMost("r", -1),
		"at least 0.00001":       AtLeast("r", 1e-5),
		"at most 1234567":        AtMost("r", 1234567),
		"exactly 0":              {Min: new(0.0), Max: new(math.Copysign(0, -1))},
		"-23.2 to -22.8":         {Min: new(-23 - 0.2), Max: new(-23 + 0.2)},
		"-30 to -10.05":          {Min: new(-30.0), Max: new(-10.05)},
		"996.9999 to 997.0001":   {Min: new(997 - 1e-4), Max: new(997 + 1e-4)},
		"1171.6 to 1196.3":       {Min: new(1171.57617321), Max: new(1196.33874512)},
		"-43.09 to -42.89":       {Min: new(-43.08967123), Max: new(-42.88967123)},
		"at most 926.68":         AtMost("r", 926.6773123),
		"at least 0.00012346":    AtLeast("r", 0.000123456789),
		"at most 48123":          AtMost("r", 48123.4567891),
		"0.3333333 to 0.3333443": {Min: new(1 / 3.0), Max: new(1/3.0 + 1.1e-5)},
		"any value":              {},
	} {
		if got := l.String(); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

// TestUnjudgedIsNeverAPass: a program that forgets to judge must not read a pass.
func TestUnjudgedIsNeverAPass(t *testing.T) {
	if v := (Judgement{}).Verdict; v == Pass || v.String() != "undecided" {
		t.Errorf("the zero judgement is %q, want undecided", v)
	}
}
