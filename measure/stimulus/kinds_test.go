package stimulus

import (
	"math"
	"strings"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"github.com/boothbench/boothbench/dsp"
)

// Every kind makes a sound from its defaults that peaks at −20 dBFS or less. All its settings
// are described, and its description makes the same signal again.
func TestEveryKindMakesItsDescribedSignal(t *testing.T) {
	seen := map[string]bool{}
	for _, k := range Kinds() {
		if seen[k.Name()] {
			t.Errorf("two kinds are named %s", k.Name())
		}
		seen[k.Name()] = true
		block, err := k.Default.Make(48000)
		if err != nil {
			t.Errorf("%s: %v", k.Name(), err)
			continue
		}
		// 1e-9 dB: rounding of the level.
		if peak := PeakDBFS(block); peak > DefaultPeakDBFS+1e-9 {
			t.Errorf("%s peaks at %g dBFS by default", k.Name(), peak)
		}
		given := map[string]string{}
		for _, s := range k.Settings() {
			if s.Help == "" || s.Accepted == "" {
				t.Errorf("%s: setting %s has no line in settings", k.Name(), s.Key)
			}
			given[s.Key] = s.Default
		}
		with, err := k.With(given)
		if err != nil {
			t.Errorf("%s: %v", k.Name(), err)
			continue
		}
		again, err := Parse(Describe(with))
		if err != nil || Describe(again) != Describe(k.Default) {
			t.Errorf("%s: %v, %q, want %q", k.Name(), err, Describe(again), Describe(k.Default))
		}
	}
}

func TestKindRefusesWrongSettings(t *testing.T) {
	sweep, _ := Named("sweep")
	for _, c := range []struct {
		given map[string]string
		says  string
	}{
		{map[string]string{"from_hz": "low"}, `from_hz: found "low", accepted: 1 to half of to_hz Hz`},
		{map[string]string{"gain_db": "1"}, "gain_db: found no such setting of sweep, accepted: from_hz, to_hz"},
		{map[string]string{"channels": "1.5"}, `channels: found "1.5", accepted: 1 to 64`},
	} {
		if _, err := sweep.With(c.given); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%v: %v, want %q", c.given, err, c.says)
		}
	}
	for _, text := range []string{"", "kind=hiss", "kind=sweep kind=sweep", "kind=sweep from_hz", "kind=sweep seconds=x"} {
		if _, err := Parse(text); err == nil {
			t.Errorf("%q is accepted", text)
		}
	}
}

func TestIdentityRoundTrip(t *testing.T) {
	m := Marked{Signal: StandardSweep(-20), Rate: 48000}
	want := "boothbench-stimulus schema=2 rate_hz=48000 kind=sweep from_hz=5 to_hz=22000 seconds=10 peak_dbfs=-20 channels=1"
	if got := m.Identity(); got != want {
		t.Errorf("identity %q, want %q", got, want)
	}
	again, err := ParseIdentity(want)
	if err != nil || again.Code() != m.Code() {
		t.Errorf("%v, code %08x, want %08x", err, again.Code(), m.Code())
	}
	for _, s := range []Marked{{Signal: StandardSweep(-21), Rate: 48000}, {Signal: StandardSweep(-20), Rate: 44100}, {Signal: StandardImpulse(-20), Rate: 48000}} {
		if s.Code() == m.Code() {
			t.Errorf("%s has the same code", s.Identity())
		}
	}
	for _, line := range []string{"", "hello", strings.Replace(want, "schema=2", "schema=1", 1), strings.Replace(want, "48000", "fast", 1), want + " volume=3"} {
		if _, err := ParseIdentity(line); err == nil {
			t.Errorf("%q is accepted", line)
		}
	}
}

// A code is read back, and one or two wrong symbols are detected.
func TestCodeDetectsWrongSymbols(t *testing.T) {
	for _, hash := range []uint32{0, 1, 0xFFFFFFFF, 0x41354074} {
		bits := spell(hash)
		if got, good := Spelled(bits); got != hash || !good {
			t.Errorf("%08x reads %08x, good %v", hash, got, good)
		}
		for i := range bits {
			for j := i; j < len(bits); j++ {
				wrong := bits
				wrong[i] = !wrong[i]
				if j != i {
					wrong[j] = !wrong[j]
				}
				if _, good := Spelled(wrong); good {
					t.Fatalf("%08x with symbols %d and %d wrong is taken for good", hash, i, j)
				}
			}
		}
	}
}

// All energy of a multitone lies in its bins, and its peak is the one that is set.
func TestMultitoneFitsItsPeriod(t *testing.T) {
	const rate = 44100
	m := StandardMultitone(-20)
	block, err := m.Make(rate)
	if err != nil {
		t.Fatal(err)
	}
	period := m.Period(rate)
	if period != 65536 {
		t.Fatalf("period %d", period)
	}
	spectrum := fourier.NewFFT(period).Coefficients(nil, block[0][period:2*period])
	tones := map[int]bool{}
	for _, bin := range m.Bins(rate) {
		tones[bin] = true
	}
	if len(tones) != 62 { // 31 thirds of an octave from 20 Hz to 20 kHz, in pairs
		t.Errorf("%d tones", len(tones))
	}
	for bin, v := range spectrum {
		peak := math.Hypot(real(v), imag(v)) * 2 / float64(period)
		// Rounding of sums of 62 sines; a tone has a few thousandths of full scale.
		if tones[bin] != (peak > 1e-4) || !tones[bin] && peak > 1e-14 {
			t.Fatalf("bin %d: peak %g, a tone: %v", bin, peak, tones[bin])
		}
	}
	if peak := PeakDBFS(block); math.Abs(peak+20) > 1e-9 {
		t.Errorf("peak %g dBFS", peak)
	}
	first, last := block[0][0], block[0][len(block[0])-1]
	if math.Abs(first) > 1e-6 || math.Abs(last) > 1e-6 {
		t.Errorf("begins at %g, ends at %g", first, last)
	}
}

func TestImpulseIsOneSample(t *testing.T) {
	i := StandardImpulse(-20)
	block, err := i.Make(48000)
	if err != nil {
		t.Fatal(err)
	}
	for n, x := range block[0] {
		want := 0.0
		if n == i.Frame(48000) {
			want = 0.1
		}
		if math.Abs(x-want) > 1e-16 {
			t.Fatalf("frame %d: %g, want %g", n, x, want)
		}
	}
}

func TestSweepMultitoneAndMeterSignalSettingsAreRefused(t *testing.T) {
	for name, s := range map[string]Signal{
		"sweep up to Nyquist": Sweep{FromHz: 20, ToHz: 24000, Seconds: 1, PeakDBFS: -20},
		"sweep downwards":     Sweep{FromHz: 2000, ToHz: 1000, Seconds: 1, PeakDBFS: -20},
		"no sweep":            SynchronisedSweep{},
		"late impulse":        Impulse{PeakDBFS: -20, LeadSeconds: 2, Seconds: 2},
		"no tones":            Multitone{LowHz: 20, HighHz: 20000, Periods: 1, PeakDBFS: -20},
		"tones at Nyquist":    Multitone{LowHz: 20, HighHz: 23999, PerOctave: 3, Periods: 1, PeakDBFS: -20},
		"a recorded case":     Tech3341{Case: 7},
		"no such variant":     Tech3341{Case: 13, Variant: 20},
		"range case 5":        Tech3342{Case: 5},
	} {
		if _, err := s.Make(48000); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
	if _, _, err := (Marked{Signal: Silence{Seconds: 1}, Rate: 4000}).Make(); err == nil {
		t.Error("marks at 4 kHz: accepted")
	}
}

// An identity may come from any file: no text makes the reader panic, and an accepted identity
// is written the same way from then on.
func FuzzParseIdentity(f *testing.F) {
	for _, k := range Kinds() {
		f.Add(Marked{Signal: k.Default, Rate: 48000}.Identity())
	}
	f.Add("boothbench-stimulus schema=2 rate_hz=-1 kind=mls order=999999999999")
	f.Add("boothbench-stimulus schema=2 rate_hz=48000 kind=tone hz=NaN seconds=Inf")
	f.Fuzz(func(t *testing.T, line string) {
		m, err := ParseIdentity(line)
		if err != nil {
			return
		}
		again, err := ParseIdentity(m.Identity())
		if err != nil || again.Identity() != m.Identity() {
			t.Errorf("%q reads as %q, and that as %q (%v)", line, m.Identity(), again.Identity(), err)
		}
	})
}

// Two conditions of one signal have different codes, and both identities are read back. Without
// a condition the identity does not mention one.
func TestConditionIsPartOfTheIdentity(t *testing.T) {
	plain := Marked{Signal: StandardTone(-20), Rate: 48000}
	one, other := plain, plain
	one.Condition, other.Condition = 1, 0xfedcba98
	if plain.Code() == one.Code() || one.Code() == other.Code() {
		t.Error("two conditions have one code")
	}
	if strings.Contains(plain.Identity(), "condition") {
		t.Errorf("%s; wanted no condition", plain.Identity())
	}
	for _, m := range []Marked{plain, one, other} {
		if got, err := ParseIdentity(m.Identity()); err != nil || got.Identity() != m.Identity() || got.Condition != m.Condition {
			t.Errorf("%s: read back as %v, %v", m.Identity(), got, err)
		}
	}
	for _, wrong := range []string{"condition=", "condition=0", "condition=123456789", "condition=xyz"} {
		if _, err := ParseIdentity(strings.Replace(plain.Identity(), "kind=", wrong+" kind=", 1)); err == nil {
			t.Errorf("%s is accepted", wrong)
		}
	}
}

// A level that is set for the marks is part of the identity, and the marks have it.
func TestMarkLevelIsPartOfTheIdentity(t *testing.T) {
	plain := Marked{Signal: StandardTone(-20), Rate: 48000}
	quiet := plain
	quiet.MarkDBFS = -47.5
	again, err := ParseIdentity(quiet.Identity())
	if err != nil || again.Identity() != quiet.Identity() || again.MarkDBFS != quiet.MarkDBFS || quiet.Code() == plain.Code() {
		t.Errorf("%s: read back as %v, %v", quiet.Identity(), again, err)
	}
	sound, layout, err := quiet.Make()
	if err != nil {
		t.Fatal(err)
	}
	if peak := PeakDBFS(dsp.Block{sound[0][:layout.Signal]}); math.Abs(peak+47.5) > 0.1 || layout.MarkDBFS != -47.5 { // the chirp's samples may not reach its peak
		t.Errorf("the marks peak at %g dBFS, wanted -47.5", peak)
	}
	for _, wrong := range []string{"mark_dbfs=", "mark_dbfs=0", "mark_dbfs=-10", "mark_dbfs=-90", "mark_dbfs=NaN"} {
		if _, err := ParseIdentity(strings.Replace(plain.Identity(), "kind=", wrong+" kind=", 1)); err == nil {
			t.Errorf("%s is accepted", wrong)
		}
	}
}
