package take

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/internal/testsound"
)

// A noise spectrum that rests far from pauses reads what one reads that filters all of
// the sound. The take has hum, a rumble and a constant offset, from which the high-pass
// has to settle whenever it begins anew. Tolerance: what is left of the offset of -20 dBFS
// after 0.75 s is at -180 dBFS, 1e-6 of the amplitude of noise at -60 dBFS.
func TestNoiseSpectrumMayPauseBetweenPauses(t *testing.T) {
	const rate = 48000
	x := testsound.SpeechTake(-60, 3)
	for n := range x {
		at := float64(n) / rate
		x[n] += 0.1 + 0.003*math.Sin(2*math.Pi*50*at) + 0.01*math.Sin(2*math.Pi*7*at)
	}
	for n := 4 * rate; n < 7*rate && n < len(x); n++ { // far from any pause for some time
		x[n] += 0.2 * math.Sin(2*math.Pi*440*float64(n)/rate)
	}
	levels := newFrameLevels(rate, 1, true)
	for _, write := range levels.writes() {
		write(dsp.Block{x})
	}
	p, ok := levels.findPauses(0, nil, newLevelCounts())
	if !ok {
		t.Fatal("no pauses")
	}
	rests, all := newNoiseSpectrum(rate, p, newHumStore(1)), newNoiseSpectrum(rate, p, newHumStore(1))
	resting, always := newNoiseReader(rests), newNoiseReader(all)
	always.rests = false
	rested := 0
	for from := 0; from < len(x); from += 1000 {
		b := dsp.Block{x[from:min(len(x), from+1000)]}
		resting.write(b)
		always.write(b)
		if resting.resting {
			rested++
		}
	}
	rests.finish()
	all.finish()
	if rested == 0 {
		t.Fatal("it never rested: nothing is tested")
	}
	if len(rests.long.frames) != len(all.long.frames) || len(all.long.frames) == 0 || rests.frames != all.frames || rests.spectrum.Blocks != all.spectrum.Blocks {
		t.Fatalf("%d pauses for hum, %d frames and %d spectra; without rest %d, %d and %d", len(rests.long.frames), rests.frames, rests.spectrum.Blocks, len(all.long.frames), all.frames, all.spectrum.Blocks)
	}
	for i := range all.long.frames {
		if a, b := rests.long.frames[i], all.long.frames[i]; a != b {
			t.Fatalf("pause %d has %d frames, without rest %d", i, a, b)
		}
	}
	for _, n := range []*noiseSpectrum{rests, all} {
		if _, reason := n.findMains(); reason != "" {
			t.Fatal(reason)
		}
	}
	flat := func(float64) float64 { return 1 }
	for name, v := range map[string][2]float64{
		"spectrum": {rests.level(flat), all.level(flat)}, "unweighted": {rests.unweighted(), all.unweighted()}, "line at 50 Hz": {rests.powers.At(50), all.powers.At(50)},
		"line at 150 Hz": {rests.powers.At(150), all.powers.At(150)}, "differences": {rests.differences(), all.differences()}, "rho": {rests.steady.rho(), all.steady.rho()},
	} {
		if !(math.Abs(v[0]-v[1]) <= 1e-6*v[1]) {
			t.Errorf("%s is %g, without rest %g", name, v[0], v[1])
		}
	}
}

// Two spectra that are read together read what each reads alone, to the bit: of two
// channels with pauses at other times, where neither rests.
func TestTwoNoiseSpectraTogetherReadAsAlone(t *testing.T) {
	const rate = 48000
	x, y := testsound.SpeechTake(-60, 3), testsound.SpeechTake(-50, 4)
	b := dsp.Block{x, append(y[rate:len(x):len(x)], y[:rate]...)}
	levels := newFrameLevels(rate, 2, true)
	for _, write := range levels.writes() {
		write(b)
	}
	var alone, together []*noiseSpectrum
	for c := range b {
		p, ok := levels.findPauses(c, nil, newLevelCounts())
		if !ok {
			t.Fatal("no pauses")
		}
		alone, together = append(alone, newNoiseSpectrum(rate, p, newHumStore(1))), append(together, newNoiseSpectrum(rate, p, newHumStore(1)))
	}
	for _, r := range []*noiseReader{newNoiseReader(alone[0]), newNoiseReader(alone[1]), newNoiseReader(together...)} {
		r.rests = false
		for from := 0; from < len(x); from += 1000 {
			r.write(planes.Before(dsp.Block{b[0][from:], b[1][from:]}, min(1000, len(x)-from)))
		}
	}
	for c := range b {
		alone[c].finish()
		together[c].finish()
		if !slices.Equal(alone[c].spectrum.Sums(), together[c].spectrum.Sums()) || alone[c].unweighted() != together[c].unweighted() || alone[c].steady.rho() != together[c].steady.rho() {
			t.Errorf("channel %d: %g and a variation of %g, alone %g and %g", c, together[c].unweighted(), together[c].steady.rho(), alone[c].unweighted(), alone[c].steady.rho())
		}
		if alone[c].frames == 0 {
			t.Errorf("channel %d: nothing was read", c)
		}
	}
}

// Every frame of a pause is read for its steadiness with both of its hops.
func TestSteadinessTakesWholeFrames(t *testing.T) {
	const rate, hops = 48000, 200
	rng := rand.New(rand.NewPCG(63, 64))
	p := &pauses{to: hops, are: make(bitRow, 4), typical: make(bitRow, 4), between: make(bitRow, 4)}
	n := newNoiseSpectrum(rate, p, nil)
	n.kept = nil
	want := newSteadiness(rate)
	before := make([]float64, hopOf(rate))
	for hop := range hops {
		if rng.IntN(3) == 0 {
			p.are.set(hop)
		}
	}
	for hop := range hops {
		x, level := make([]float64, hopOf(rate)), math.Exp(3*rng.NormFloat64())
		for i := range x {
			x[i] = level * rng.NormFloat64()
		}
		if p.has(hop - 1) {
			want.frame(before, x)
		}
		before = x
		n.takeHop(hop, x)
	}
	for i, o := range n.steady.octaves {
		w := want.octaves[i].counts
		if o.counts.total == 0 || o.counts.total != w.total {
			t.Fatalf("octave %d: %d frames, want %d", i, o.counts.total, w.total)
		}
		for level, count := range o.counts.counts {
			if count != w.counts[level] {
				t.Errorf("octave %d: %d frames of level %d, want %d", i, count, level+lowestLevel, w.counts[level])
			}
		}
	}
}
