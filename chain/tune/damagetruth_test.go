package tune

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/dsptest/takes"
)

// The stated damage of a proposal is computed here a second time, with plain loops. Gains are
// the output of a stage divided by its input, sample by sample. Words are where the clean
// speech, which the proposal does not receive, is audible. Loudness, true peak and noise follow
// from their definitions. None of the proposal's own readings is used.

// plainHighPass is a second-order Butterworth high-pass by the bilinear transform.
func plainHighPass(x []float64, hz, rate float64) []float64 {
	k := math.Tan(math.Pi * hz / rate)
	norm := 1 / (1 + math.Sqrt2*k + k*k)
	return plainFilter(x, [3]float64{norm, -2 * norm, norm}, [2]float64{2 * (k*k - 1) * norm, (1 - math.Sqrt2*k + k*k) * norm})
}

func plainFilter(x []float64, b [3]float64, a [2]float64) []float64 {
	y := make([]float64, len(x))
	var x1, x2, y1, y2 float64
	for n, v := range x {
		y[n] = b[0]*v + b[1]*x1 + b[2]*x2 - a[0]*y1 - a[1]*y2
		x1, x2, y1, y2 = v, x1, y[n], y1
	}
	return y
}

// plainWords returns the words of clean speech in ms: where the level over 20 ms exceeds the
// mean noise, both above 150 Hz, with gaps under 100 ms joined.
func plainWords(room takes.Room) (all [][2]int) {
	speech, noise := plainHighPass(room.Speech, 150, float64(room.Rate)), plainHighPass(room.Noise, 150, float64(room.Rate))
	mean := 0.0
	for _, v := range noise {
		mean += v * v / float64(len(noise))
	}
	for ms := 10; (ms+10)*room.Rate/1000 <= len(speech); ms++ {
		sum, count := 0.0, 0.0
		for _, v := range speech[(ms-10)*room.Rate/1000 : (ms+10)*room.Rate/1000] {
			sum, count = sum+v*v, count+1
		}
		switch n := len(all); {
		case sum < mean*count:
		case n > 0 && ms-all[n-1][1] < 100:
			all[n-1][1] = ms + 1
		default:
			all = append(all, [2]int{ms, ms + 1})
		}
	}
	return all
}

// gainsOf returns the lowest gain in each millisecond between the input and the output of
// stages.
func gainsOf(in, out []float64, rate int) (lowest []float64) {
	for ms := 0; (ms+1)*rate/1000 <= len(in); ms++ {
		least := math.Inf(1)
		for n := ms * rate / 1000; n < (ms+1)*rate/1000; n++ {
			if math.Abs(in[n]) > 1e-9 {
				least = math.Min(least, math.Abs(out[n]/in[n]))
			}
		}
		lowest = append(lowest, math.Min(least, 1e3))
	}
	return lowest
}

// plainBand is a band-pass with a gain of 1 at its centre (R. Bristow-Johnson, "Cookbook
// formulae for audio EQ biquad filter coefficients", BPF with 0 dB peak gain).
func plainBand(x []float64, hz, q float64, rate int) []float64 {
	w := 2 * math.Pi * hz / float64(rate)
	alpha := math.Sin(w) / (2 * q)
	return plainFilter(x, [3]float64{alpha / (1 + alpha), 0, -alpha / (1 + alpha)}, [2]float64{-2 * math.Cos(w) / (1 + alpha), (1 - alpha) / (1 + alpha)})
}

// plainBellGains returns the lowest gain g in each millisecond of a stage whose output is x +
// (g − 1) · band(x).
func plainBellGains(in, out []float64, hz, q float64, rate int) (lowest []float64) {
	band := plainBand(in, hz, q, rate)
	for ms := 0; (ms+1)*rate/1000 <= len(in); ms++ {
		least := 1.0
		for n := ms * rate / 1000; n < (ms+1)*rate/1000; n++ {
			if math.Abs(band[n]) > 1e-5 {
				least = math.Min(least, 1+(out[n]-in[n])/band[n])
			}
		}
		lowest = append(lowest, least)
	}
	return lowest
}

// withSibilants adds a sharp s of 80 ms, around 7 kHz, to every second of the speech of a room.
func withSibilants(room takes.Room, rng *rand.Rand) {
	for at := room.Rate / 2; at+room.Rate < len(room.Speech); at += room.Rate {
		s := make([]float64, room.Rate*8/100)
		for n := range s {
			s[n] = rng.NormFloat64()
		}
		s = plainBand(plainBand(s, 7000, 2, room.Rate), 7000, 2, room.Rate)
		sum := 0.0
		for n := range s {
			s[n] *= math.Sin(math.Pi * float64(n) / float64(len(s)))
			sum += s[n] * s[n] / float64(len(s))
		}
		for n, v := range s {
			room.Speech[at+n] += v * math.Pow(10, (room.SpeechDBFS+9)/20) / math.Sqrt(sum)
		}
	}
}

// workingReduction returns a percentile of the reduction over the milliseconds with at least
// 0.1 dB of reduction, as Damage counts them.
func workingReduction(gains []float64, share float64) float64 {
	var all []float64
	for _, g := range gains {
		if db := -20 * math.Log10(g); db >= 0.1 {
			all = append(all, db)
		}
	}
	if len(all) == 0 {
		return 0
	}
	slices.Sort(all)
	return all[min(len(all)-1, int(share*float64(len(all))))]
}

// plainLoudness returns the integrated loudness of one channel at 48 kHz in LUFS, by the
// coefficients and gates of Rec. ITU-R BS.1770-5 Annex 1.
func plainLoudness(x []float64) float64 {
	y := plainFilter(x, [3]float64{1.53512485958697, -2.69169618940638, 1.19839281085285}, [2]float64{-1.69065929318241, 0.73248077421585})
	y = plainFilter(y, [3]float64{1, -2, 1}, [2]float64{-1.99004745483398, 0.99007225036621})
	var blocks []float64
	for from := 0; from+19200 <= len(y); from += 4800 {
		sum := 0.0
		for _, v := range y[from : from+19200] {
			sum += v * v
		}
		blocks = append(blocks, sum/19200)
	}
	gated := func(over float64) float64 {
		sum, count := 0.0, 0.0
		for _, b := range blocks {
			if -0.691+10*math.Log10(b) > over {
				sum, count = sum+b, count+1
			}
		}
		return -0.691 + 10*math.Log10(sum/count)
	}
	return gated(math.Max(-70, gated(-70)-10))
}

// throughStages passes a take of one channel through the first stages of a chain.
func throughStages(t testing.TB, c *chain.Chain, stages, rate int, x []float64) []float64 {
	t.Helper()
	part := *c
	part.Stages = c.Stages[:stages]
	e, err := part.Prepare(rate, 1)
	if err != nil {
		t.Fatal(err)
	}
	y, err := e.ProcessPlanes(t.Context(), [][]float64{x})
	if err != nil {
		t.Fatal(err)
	}
	return y[0]
}

// In random rooms the stated damage is that of the actual output. Only the part of a word that
// exceeds the noise is detectable, so the speech time is within a tenth of the clean speech's,
// and its attenuated share within 1 point. Gains computed from rounded sound agree with the
// trace to 0.05 dB, two interpolations of a true peak to 0.1 dB, and the noise in one part of
// the pauses with that in another to 1 dB.
func TestStatedDamageAgreesWithPlainLoops(t *testing.T) {
	cases, seconds := 2, 15.0
	if dsptest.IsExhaustive() {
		cases, seconds = 20, 30
	}
	for i := range cases {
		rng := rand.New(rand.NewPCG(uint64(i), 83))
		voice := []string{takes.SpokenNames, takes.Readings}[i%2]
		room := takes.NewRoom(takes.Spoken(t, voice), []string{"white", "pink", "room"}[rng.IntN(3)], 14+18*rng.Float64(), 0.15+0.15*rng.Float64(), seconds, uint64(1300+i))
		if voice == takes.SpokenNames { // at a rate that allows a de-esser
			withSibilants(room, rng)
		}
		x, rate := room.Take(), room.Rate
		p := proposed(t, rate, ProposeSettings{}, x)
		d := p.Takes[0]
		want := func(what string, is, stated, within float64) {
			t.Helper()
			if !(math.Abs(is-stated) <= within) {
				t.Errorf("case %d: %s: %.3f, stated %.3f", i, what, is, stated)
			}
		}
		sound := map[int][]float64{}
		behind := func(stages int) []float64 {
			if sound[stages] == nil {
				sound[stages] = throughStages(t, p.Chain, stages, rate, x)
			}
			return sound[stages]
		}
		gains := func(kind string) []float64 {
			at := slices.IndexFunc(p.Chain.Stages, func(s chain.Stage) bool { return s.Kind == kind })
			return gainsOf(behind(at), behind(at+1), rate)
		}

		expander, words := gains("expander"), plainWords(room)
		lowered, total, ends, starts := 0, 0, 0, 0
		under := func(from, to int, gain float64) (ms int) {
			for k := max(0, from); k < min(to, len(expander)); k++ {
				if expander[k] < gain {
					ms++
				}
			}
			return ms
		}
		for _, w := range words {
			total += w[1] - w[0]
			lowered += under(w[0], w[1], 0.8913)
			if under(max(w[0], w[1]-150), w[1], 0.7079) >= 20 {
				ends++
			}
			if under(w[0], min(w[1], w[0]+50), 0.7079) >= 10 {
				starts++
			}
		}
		seen := float64(total) / 1000
		want("seconds of speech", seen, d.SpeechSeconds, seen/10)
		want("share of it that is lowered", float64(lowered)/float64(total), d.Lowered, 0.01)
		if ends > d.EndsCut+1 || starts > d.StartsCut+2 { // see TestWordEndsAgainstCleanSpeech
			t.Errorf("case %d: of %d words %d ends and %d starts are cut; stated %d and %d", i, len(words), ends, starts, d.EndsCut, d.StartsCut)
		}

		compressor := gains("compressor")
		want("median reduction by the compressor", workingReduction(compressor, 0.5), d.CompressorMedianDB, 0.05)
		want("95th percentile of it", workingReduction(compressor, 0.95), d.CompressorP95DB, 0.05)

		if voice == takes.SpokenNames {
			at := slices.IndexFunc(p.Chain.Stages, func(s chain.Stage) bool { return s.Kind == "de-esser" })
			s, ok := p.Chain.Stages[at].Settings.(dsp.DeEsserSettings)
			if !ok || !p.Chain.Stages[at].Enabled || d.DeEsserP95DB < 1 {
				t.Errorf("case %d: a de-esser that lowers sharp s-sounds by %.1f dB: %q", i, d.DeEsserP95DB, p.Off()["de-esser"])
			}
			bell := plainBellGains(behind(at), behind(at+1), s.CentreHz, s.Q, rate)
			want("median reduction by the de-esser", workingReduction(bell, 0.5), d.DeEsserMedianDB, 0.05)
			want("95th percentile of it", workingReduction(bell, 0.95), d.DeEsserP95DB, 0.05)
		}

		out, fine := behind(len(p.Chain.Stages)), 0.0
		if loud, _ := d.After.Get("integrated_lufs"); rate == 48000 {
			want("loudness", plainLoudness(out), loud.Value, 0.01)
		}
		for _, v := range atRate(out, rate, 8*rate) {
			fine = math.Max(fine, math.Abs(v))
		}
		peak, _ := d.After.Get("true_peak_dbtp")
		want("true peak", 20*math.Log10(fine), peak.Value, 0.1)

		var before, after, frames float64
		was, is := plainHighPass(x, 20, float64(rate)), plainHighPass(out, 20, float64(rate))
		for _, pause := range room.Pauses { // from when the expander has closed until it opens for the next word
			for n := pause[0] + rate*2/5; n < min(len(x), pause[1])-rate/20; n++ {
				before, after, frames = before+was[n]*was[n], after+is[n]*is[n], frames+1
			}
		}
		if frames > float64(rate) {
			want("noise of the take", 10*math.Log10(before/frames), d.FloorBefore, 1)
			want("noise behind the chain", 10*math.Log10(after/frames), d.FloorAfter, 1)
		}
		t.Logf("case %d: %.2f %% of %.1f s, %d ends, %d starts of %d words; stated %.2f %% of %.1f s, %d, %d of %d", i, 100*float64(lowered)/float64(total), seen, ends, starts, len(words), 100*d.Lowered, d.SpeechSeconds, d.EndsCut, d.StartsCut, d.Phrases)
	}
}
