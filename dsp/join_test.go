package dsp_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
)

// TestJoinedStagesAreTheSame runs a filter and a dynamics stage one after the other and
// joined, in blocks of random lengths: the same bits, gains and reduction, also over
// silence, over samples that are no numbers and after Reset.
func TestJoinedStagesAreTheSame(t *testing.T) {
	rng := rand.New(rand.NewPCG(31, 32))
	for round := range 60 {
		rate := []int{8000, 44100, 48000, 96000, 192000}[rng.IntN(5)]
		linked, channels := rng.IntN(2) == 0, 1+rng.IntN(2)
		windowMs := []float64{2, 5, 20}[rng.IntN(3)]
		build := func() (first, second dsp.Processor) {
			var err, err2 error
			if round%2 == 0 {
				first, err = dsp.NewHighPass(dsp.HighPassSettings{CornerHz: 80, SlopeDBPerOctave: 12}, rate, channels)
			} else {
				first, err = dsp.NewEqualiser(dsp.EqualiserSettings{Bands: []dsp.Band{{Shape: dsp.Bell, CentreHz: 1000, GainDB: -6, Q: 1}}, Design: dsp.Cookbook}, rate, channels)
			}
			if round%3 == 0 {
				second, err2 = dsp.NewCompressor(dsp.CompressorSettings{
					ThresholdDBFS: -30, Ratio: 3, KneeDB: 6, AttackMs: 5, ReleaseMs: 80, MakeupDB: 4,
					Detector: dsp.RMS, DetectorWindowMs: windowMs, SidechainHighPassHz: 90, LinkChannels: linked,
				}, rate, channels)
			} else {
				second, err2 = dsp.NewExpander(dsp.ExpanderSettings{
					ThresholdDBFS: -40, Ratio: 2, KneeDB: 6, RangeDB: 12, HysteresisDB: 3, AttackMs: 1, HoldMs: 20, ReleaseMs: 60, LookaheadMs: 3,
					Detector: dsp.RMS, DetectorWindowMs: windowMs, SidechainHighPassHz: 90, LinkChannels: linked,
				}, rate, channels)
			}
			if err != nil || err2 != nil {
				t.Fatal(err, err2)
			}
			return first, second
		}
		first, second := build()
		joinedFirst, joinedSecond := build()
		joined, ok := dsp.Join(joinedFirst, joinedSecond)
		if !ok {
			t.Fatalf("round %d: not joined", round)
		}
		if joined.Latency() != first.Latency()+second.Latency() {
			t.Fatalf("latency %d frames, of both %d and %d", joined.Latency(), first.Latency(), second.Latency())
		}
		for pass := range 2 {
			sound := dsptest.Programme(rate, channels, 20_000, uint64(round))
			if pass == 1 {
				sound[rng.IntN(channels)][rng.IntN(20_000)] = math.NaN()
				sound[rng.IntN(channels)][rng.IntN(20_000)] = math.Inf(1)
			}
			want, got := dsp.NewBlock(channels, 20_000), dsp.NewBlock(channels, 20_000)
			wantGain, gotGain := dsp.NewBlock(channels, 20_000), dsp.NewBlock(channels, 20_000)
			for c := range sound {
				copy(want[c], sound[c])
				copy(got[c], sound[c])
			}
			first.Process(want)
			second.(dsp.GainTracer).ProcessTraced(want, wantGain)
			for from := 0; from < 20_000; {
				to := min(20_000, from+64*(1+rng.IntN(9)))
				if rng.IntN(8) == 0 { // off the cells that are measured at once
					to = min(20_000, from+1+rng.IntN(100))
				}
				part := func(b dsp.Block) (all dsp.Block) {
					for _, plane := range b {
						all = append(all, plane[from:to])
					}
					return all
				}
				if rng.IntN(2) == 0 {
					joined.(dsp.GainTracer).ProcessTraced(part(got), part(gotGain))
				} else {
					joined.Process(part(got))
					for c := range gotGain {
						copy(gotGain[c][from:to], wantGain[c][from:to])
					}
				}
				from = to
			}
			if err := sameBits(want, got); err != nil {
				t.Fatalf("round %d, pass %d, %d Hz: %v", round, pass, rate, err)
			}
			if err := sameBits(wantGain, gotGain); err != nil {
				t.Fatalf("round %d, pass %d, %d Hz: gains: %v", round, pass, rate, err)
			}
			first.Reset()
			second.Reset()
			joined.Reset()
		}
	}
}

func sameBits(a, b dsp.Block) error {
	for c := range a {
		for n := range a[c] {
			if math.Float64bits(a[c][n]) != math.Float64bits(b[c][n]) && !(a[c][n] != a[c][n] && b[c][n] != b[c][n]) {
				return fmt.Errorf("channel %d, frame %d: %g one after the other, %g joined", c+1, n, a[c][n], b[c][n])
			}
		}
	}
	return nil
}

// TestOnlyPlainStagesAreJoined checks that stages are left apart where a joined run would
// not be theirs.
func TestOnlyPlainStagesAreJoined(t *testing.T) {
	filter := func(slope, channels int) dsp.Processor {
		f, err := dsp.NewHighPass(dsp.HighPassSettings{CornerHz: 80, SlopeDBPerOctave: slope}, 48000, channels)
		if err != nil {
			t.Fatal(err)
		}
		return f
	}
	expander := func(kind dsp.DetectorKind, sidechainHz float64, channels int) dsp.Processor {
		e, err := dsp.NewExpander(dsp.ExpanderSettings{ThresholdDBFS: -40, Ratio: 2, RangeDB: 12, AttackMs: 1, ReleaseMs: 60, Detector: kind, DetectorWindowMs: 10, SidechainHighPassHz: sidechainHz}, 48000, channels)
		if err != nil {
			t.Fatal(err)
		}
		return e
	}
	for name, pair := range map[string][2]dsp.Processor{
		"two sections":       {filter(24, 2), expander(dsp.RMS, 90, 2)},
		"peak":               {filter(12, 2), expander(dsp.Peak, 90, 2)},
		"no side chain":      {filter(12, 2), expander(dsp.RMS, 0, 2)},
		"three channels":     {filter(12, 3), expander(dsp.RMS, 90, 3)},
		"order":              {expander(dsp.RMS, 90, 2), filter(12, 2)},
		"a filter of others": {struct{ *dsp.HighPass }{filter(12, 2).(*dsp.HighPass)}, expander(dsp.RMS, 90, 2)},
	} {
		if _, ok := dsp.Join(pair[0], pair[1]); ok {
			t.Errorf("%s: joined", name)
		}
	}
}
