package measure

import (
	"math"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
)

// TestLoudnessProfile: the profile, changed by a gain, reads as the changed sound
// does; cells sum up to it; and tapping changes no reading.
func TestLoudnessProfile(t *testing.T) {
	for _, rate := range []int{8000, 44100, 48000} {
		x := dsptest.Speechlike(rate, 2, 12*rate+rate/30, 5)
		plain, tapped := newLoudness(t, rate, 2), newLoudness(t, rate, 2)
		sum, cells := 0.0, 0
		tapped.TapCells(rate/1500, func(e []float64) { sum, cells = sum+e[0]+e[1], cells+1 })
		for from := 0; from < x.Frames(); from += 777 {
			b := dsp.Block{x[0][from:min(x.Frames(), from+777)], x[1][from:min(x.Frames(), from+777)]}
			plain.Write(b)
			tapped.Write(b)
		}
		a, b := plain.Readings(), tapped.Readings()
		for i := range a {
			if math.Abs(a[i].Value-b[i].Value) > 1e-9 { // rounding of another order of sums
				t.Errorf("%d Hz: %s is %v tapped, %v not", rate, a[i].Name, b[i].Value, a[i].Value)
			}
		}
		if want := x.Frames() / (rate / 1500); cells != want {
			t.Errorf("%d Hz: %d cells, want %d", rate, cells, want)
		}
		p := plain.Profile()
		whole := 0.0
		for _, e := range p.Energies {
			whole += e
		}
		if math.Abs(sum/whole-1) > 0.02 { // the profile ends with a whole 100 ms
			t.Errorf("%d Hz: the cells hold %v, the profile %v", rate, sum, whole)
		}
		before, _ := p.Integrated()
		if got, _ := a.Get("integrated_lufs"); got.Value != before {
			t.Errorf("%d Hz: %v LUFS by the profile, %v by the meter", rate, before, got.Value)
		}
		for i := range p.Energies {
			p.Energies[i] *= dsp.DBToAmplitude(-6) * dsp.DBToAmplitude(-6)
		}
		if after, _ := p.Integrated(); math.Abs(after-(before-6)) > 1e-6 {
			t.Errorf("%d Hz: %v LUFS 6 dB lower, before %v", rate, after, before)
		}
	}
}

// TestPooledLoudness: a sound pooled with a copy reads as it alone does; and a
// far quieter one is gated away, but for its part in the gate.
func TestPooledLoudness(t *testing.T) {
	tone := func(level float64) LoudnessProfile {
		p := LoudnessProfile{RateHz: 48000, Energies: make([]float64, 100)}
		for i := range p.Energies {
			p.Energies[i] = 4800 * math.Pow(10, (level+0.691)/10)
		}
		return p
	}
	for _, c := range []struct {
		sounds []LoudnessProfile
		want   float64 // by the formulas of Rec. ITU-R BS.1770-5 Annex 1
	}{
		{[]LoudnessProfile{tone(-20)}, -20},
		{[]LoudnessProfile{tone(-20), tone(-20)}, -20},
		{[]LoudnessProfile{tone(-20), tone(-23)}, 10 * math.Log10((math.Pow(10, -2)+math.Pow(10, -2.3))/2)},
		{[]LoudnessProfile{tone(-20), tone(-50)}, -20},
		{[]LoudnessProfile{tone(-20), tone(-80)}, -20},
	} {
		if got, ok := PooledLoudness(c.sounds...); !ok || math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%d sounds: %v, want %v", len(c.sounds), got, c.want)
		}
	}
	if _, ok := PooledLoudness(tone(-80)); ok {
		t.Error("a loudness where nothing is over the gate")
	}
	counted := CountedHops(tone(-20), tone(-50))
	if !counted[0][50] || counted[1][50] {
		t.Error("the loud sound counts, the quiet one does not")
	}
}

func newLoudness(t *testing.T, rate, channels int) *Loudness {
	t.Helper()
	l, err := NewLoudness(LoudnessSettings{Rate: rate, Channels: channels})
	if err != nil {
		t.Fatal(err)
	}
	return l
}
