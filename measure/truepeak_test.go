package measure

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/boothbench/boothbench/dsp"
)

func truePeakOf(t testing.TB, rate int, b dsp.Block) Readings {
	t.Helper()
	p, err := NewTruePeak(rate, len(b))
	if err != nil {
		t.Fatal(err)
	}
	p.Write(b)
	return p.Readings()
}

// faded is a sine at a part of the rate, with fades of 10 ms.
func faded(rate int, partOfRate, amplitude, phaseDegrees float64) []float64 {
	x := make([]float64, rate/5)
	fade := rate / 100
	for n := range x {
		x[n] = amplitude * math.Sin(2*math.Pi*partOfRate*float64(n)+phaseDegrees*math.Pi/180)
		x[n] *= min(1, float64(n)/float64(fade), float64(len(x)-1-n)/float64(fade))
	}
	return x
}

// EBU Tech 3341 v4, Table 1, cases 15 to 19: tolerance +0.2/−0.4 dB. The fine
// reading is held to 0.01 dB of the wave's own peak.
func TestTech3341TruePeak(t *testing.T) {
	for _, rate := range testRates() {
		for _, c := range []struct {
			number                int
			part, amplitude, from float64
			want                  float64
		}{
			{15, 1.0 / 4, 0.5, 0, -6}, {16, 1.0 / 4, 0.5, 45, -6}, {17, 1.0 / 6, 0.5, 60, -6}, {18, 1.0 / 8, 0.5, 67.5, -6}, {19, 1.0 / 4, 1.41, 45, 3},
		} {
			x := faded(rate, c.part, c.amplitude, c.from)
			r := truePeakOf(t, rate, dsp.Block{x, x})
			if got := value(t, r, "true_peak_dbtp"); got > c.want+0.2 || got < c.want-0.4 {
				t.Errorf("Tech 3341 case %d at %d Hz: %.3f dBTP, want %g +0.2/−0.4", c.number, rate, got, c.want)
			}
			if got, want := value(t, r, "true_peak_fine_dbtp"), 20*math.Log10(c.amplitude); math.Abs(got-want) > 0.01 {
				t.Errorf("Tech 3341 case %d at %d Hz: %.4f dBTP by the fine reading, the sine peaks at %.4f", c.number, rate, got, want)
			}
		}
	}
}

// Cases 20 to 23: a period of fs/4 at full scale within fs/6 at half of it, made
// at 4 fs, low-passed and decimated with 0 to 3 samples' offset.
func TestTech3341TruePeakBetweenSamples(t *testing.T) {
	const rate, over = 48000, 4
	high := make([]float64, over*rate/5)
	join := len(high) / 48 * 24 // a zero crossing of fs/6 (24 samples at 4 fs)
	for n := range high {
		switch {
		case n < join:
			high[n] = 0.5 * math.Sin(2*math.Pi*float64(n)/24)
		case n < join+16:
			high[n] = math.Sin(2 * math.Pi * float64(n-join) / 16)
		default:
			high[n] = 0.5 * math.Sin(2*math.Pi*float64(n-join-16)/24)
		}
		high[n] *= min(1, float64(n)/2000, float64(len(high)-1-n)/2000)
	}
	taps := make([]float64, 511)
	sum := 0.0
	for j := range taps {
		x := float64(j - 255)
		taps[j] = 0.25
		if x != 0 {
			taps[j] = math.Sin(math.Pi*x/4) / (math.Pi * x)
		}
		w := 2 * math.Pi * float64(j+1) / 512
		taps[j] *= 0.42 - 0.5*math.Cos(w) + 0.08*math.Cos(2*w)
		sum += taps[j]
	}
	for offset := range 4 {
		var x []float64
		for n := offset; n < len(high); n += over {
			v := 0.0
			for j, h := range taps {
				if k := n + j - 255; k >= 0 && k < len(high) {
					v += h * high[k] / sum
				}
			}
			x = append(x, v)
		}
		r := truePeakOf(t, rate, dsp.Block{x})
		if got := value(t, r, "true_peak_dbtp"); got > 0.2 || got < -0.4 {
			t.Errorf("Tech 3341 case %d: %.3f dBTP, want 0 +0.2/−0.4", 20+offset, got)
		}
		// The low-pass leaves a wave that peaks at −0.077 dB.
		if got := value(t, r, "true_peak_fine_dbtp"); math.Abs(got+0.077) > 0.01 {
			t.Errorf("Tech 3341 case %d: %.4f dBTP by the fine reading, the wave peaks at −0.077", 20+offset, got)
		}
	}
}

// Annex 2 as printed: what its table reads of simple signals, computed from it
// by hand. A unit impulse reads its largest tap, 0.97217 (−0.245 dB); a step of
// 1 reads +0.952 dB.
func TestAnnex2AsPrinted(t *testing.T) {
	impulse := make([]float64, 100)
	impulse[50] = 1
	step := make([]float64, 200)
	for n := 50; n < 200; n++ {
		step[n] = 1
	}
	last := make([]float64, 60)
	last[59] = 1 // the filter is flushed with silence
	for name, c := range map[string]struct {
		x              []float64
		annex2, dbtp   float64
		annexAt, limit float64
	}{
		"impulse":         {impulse, -0.2452, 0, 0, 1e-4},
		"impulse, at end": {last, -0.2452, 0, 0, 1e-4},
		"step":            {step, 0.9521, 0.9521, 0, 1e-4},
	} {
		r := truePeakOf(t, 48000, dsp.Block{c.x})
		if got := value(t, r, "true_peak_annex2_dbtp"); math.Abs(got-c.annex2) > c.limit {
			t.Errorf("%s: %.5f by Annex 2, want %.4f", name, got, c.annex2)
		}
		if got := value(t, r, "true_peak_dbtp"); math.Abs(got-c.dbtp) > c.limit {
			t.Errorf("%s: reported %.5f dBTP, want %.4f", name, got, c.dbtp)
		}
	}
}

// Steady sines at any frequency and phase: the fine reading is the amplitude.
func TestFineReadingOfSines(t *testing.T) {
	for _, part := range []float64{0.01, 0.1, 0.2113, 0.3, 0.41, 0.45, 0.47} {
		for phase := 0.0; phase < 90; phase += 17 {
			x := make([]float64, 3000)
			for n := range x {
				// A slow fade: an abrupt end is no sine.
				x[n] = 0.8 * math.Sin(2*math.Pi*part*float64(n)+phase) * math.Pow(math.Sin(math.Pi*float64(n)/3000), 0.25)
			}
			got := value(t, truePeakOf(t, 48000, dsp.Block{x}), "true_peak_fine_dbtp")
			// 0.003 dB of grid, 0.002 dB of ripple, and the fade.
			if want := 20 * math.Log10(0.8); math.Abs(got-want) > 0.01 {
				t.Errorf("%g of the rate, phase %g: %.4f dBTP, want %.4f", part, phase, got, want)
			}
		}
	}
}

// Leaving out what cannot be larger changes nothing, to the bit.
func TestSkippingChangesNothing(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	programmes := map[string][]float64{}
	for _, name := range []string{"noise", "tone", "bursts", "signs"} {
		x := make([]float64, 3000)
		for n := range x {
			switch name {
			case "noise":
				x[n] = 2*rng.Float64() - 1
			case "tone":
				x[n] = 0.5 * math.Sin(0.05*float64(n)+1e-5*float64(n*n))
			case "bursts":
				x[n] = math.Exp(-float64(n%700)/50) * (2*rng.Float64() - 1) * float64(1+n/700)
			case "signs":
				x[n] = float64(2*rng.IntN(2) - 1)
			}
		}
		programmes[name] = x
	}
	for name, x := range programmes {
		with, _ := NewTruePeak(48000, 1)
		without, _ := NewTruePeak(48000, 1)
		without.skip = false
		with.Write(dsp.Block{x})
		without.Write(dsp.Block{x})
		for i, r := range with.Readings() {
			if o := without.Readings()[i]; r != o {
				t.Errorf("%s: %+v, without skipping %+v", name, r, o)
			}
		}
	}
}

func BenchmarkTruePeak(b *testing.B) {
	for _, name := range []string{"speech-like", "noise"} {
		b.Run("programme="+name, func(b *testing.B) {
			x := programmeForBench(name)
			for b.Loop() {
				p, _ := NewTruePeak(48000, 2)
				p.Write(x)
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(2*x.Frames()), "ns/sample")
		})
	}
}

func BenchmarkLoudness(b *testing.B) {
	for _, channels := range []int{1, 2} {
		b.Run(fmt.Sprintf("ch=%d", channels), func(b *testing.B) {
			x := programmeForBench("noise")[:channels]
			l, _ := NewLoudness(LoudnessSettings{Rate: 48000, Channels: channels})
			for b.Loop() {
				l.Write(x)
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(channels*x.Frames()), "ns/sample")
		})
	}
}

// programmeForBench is invented: noise, or pulses of a voice at 120 Hz under a
// syllable's envelope.
func programmeForBench(name string) dsp.Block {
	const rate = 48000
	rng := rand.New(rand.NewPCG(5, 6))
	b := dsp.NewBlock(2, 5*rate)
	for c := range b {
		for n := range b[c] {
			t := float64(n) / rate
			b[c][n] = 0.001 * (rng.Float64() - 0.5)
			if name == "noise" {
				b[c][n] *= 1000
				continue
			}
			syllable := math.Max(0, math.Sin(2*math.Pi*3.1*t))
			b[c][n] += 0.3 * syllable * math.Exp(-math.Mod(t*120, 1)*6) * math.Sin(2*math.Pi*700*math.Mod(t, 1.0/120)+float64(c))
		}
	}
	return b
}
