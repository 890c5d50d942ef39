package measure

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/vector"
	"github.com/boothbench/boothbench/measure/stimulus"
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

// EBU Tech 3341 v4, Table 1, cases 15 to 19: tolerance +0.2/−0.4 dB. The fine
// reading is held to 0.01 dB of the wave's own peak.
func TestTech3341TruePeak(t *testing.T) {
	for _, rate := range testRates() {
		for _, c := range []struct {
			number    int
			amplitude float64
			want      float64
		}{{15, 0.5, -6}, {16, 0.5, -6}, {17, 0.5, -6}, {18, 0.5, -6}, {19, 1.41, 3}} {
			r := truePeakOf(t, rate, signal(t, stimulus.Tech3341{Case: c.number}, rate))
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
	const rate = 48000
	for offset := range 4 {
		r := truePeakOf(t, rate, signal(t, stimulus.Tech3341{Case: 20 + offset}, rate))
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

// What is kept of cells from one part of a sound to the next is that of the samples in them.
func TestStretchKeepsCells(t *testing.T) {
	rng := rand.New(rand.NewPCG(17, 18))
	var s stretch
	for round, frame := 0, 0; round < 500; round++ {
		x := make([]float64, 1+rng.IntN(peakChunk))
		if round%3 > 0 {
			x = make([]float64, peakCell*(1+rng.IntN(peakChunk/peakCell)))
		}
		for n := range x {
			x[n] = rng.NormFloat64() * float64(rng.IntN(4))
		}
		s.take(x, int64(frame))
		frame += len(x)
		for from := 0; from < len(s.samples); from += peakCell {
			cell := s.samples[from:min(len(s.samples), from+peakCell)]
			beyond := s.samples[from:min(len(s.samples), from+peakCell+2)]
			if rng.IntN(3) == 0 {
				continue // computed later, or never
			}
			to := from + len(cell)
			got := [3]float64{s.peak(from, to), s.curvature(from, to, math.Inf(1)), s.energy(from, to)}
			if want := [3]float64{vector.Peak(cell), vector.Curvature(beyond), vector.SumOfSquares(cell)}; got != want {
				t.Fatalf("round %d, %d frames: from %d: largest, second difference and energy are %v, want %v", round, len(x), from, got, want)
			}
		}
	}
}

// What bounds leave out is within the limit: of noise, of noise on a tone, of tones close to
// half the rate, and of bursts of half the rate, whose readings next to a sample are far
// larger than those between two.
func TestReadingsOverALimit(t *testing.T) {
	rng := rand.New(rand.NewPCG(15, 16))
	for _, reader := range []peakReader{newPeakReader(annex2()), fineReader()} {
		for round := range dsptest.Some(60, make([]int, 600)) {
			x := make([]float64, peakChunk)
			noise, place, phase := rng.Float64(), 0.5-0.02*rng.Float64(), 2*math.Pi*rng.Float64()
			if round%4 == 1 {
				place *= rng.Float64()
			}
			for n := range x {
				x[n] = noise*(2*rng.Float64()-1) + 0.9*math.Sin(2*math.Pi*place*float64(n)+phase)
				switch {
				case round%4 == 0:
					x[n] = rng.NormFloat64()
				case round%4 == 3: // bursts of a few samples
					away := float64((n+round)%400-200) / 2
					x[n] = math.Exp(-away*away/2) * float64(1-n%2*2)
				}
			}
			var s stretch
			s.take(x, 0)
			s.take(x, peakChunk)
			end := len(s.samples) + 1 - 2*reader.bank.Half()
			for from := reader.first(); from+peakCell <= end; from += peakCell {
				want, got := make([]float64, peakCell), make([]float64, peakCell)
				reader.readings(&s, from, from+peakCell, 0, false, want)
				limit := largestOf(want) * (1 - 1e-9) // one is over it
				found := reader.readings(&s, from, from+peakCell, limit, true, got)
				for i := range want {
					if over := want[i] > limit; over && !(found && got[i] == want[i]) || !over && found && got[i] > limit {
						t.Fatalf("round %d, from %d: reads %v of %v, limit %v, found %t", round, from+i, got[i], want[i], limit, found)
					}
				}
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
