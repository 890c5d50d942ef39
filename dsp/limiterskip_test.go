package dsp

import (
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
)

// TestSkippingChangesNothing compares with a limiter that interpolates every
// interval, bit for bit.
func TestSkippingChangesNothing(t *testing.T) {
	const frames = 9000
	rng := rand.New(rand.NewPCG(3, 4))
	in := NewBlock(2, frames)
	var phase, hz float64
	for n := range frames / 2 {
		if n%700 == 0 {
			hz = 60 * math.Pow(200, rng.Float64())
		}
		phase += 2 * math.Pi * hz / 48000
		envelope := math.Pow(math.Sin(float64(n)/1500), 2)
		in[0][n] = envelope * math.Sin(phase)
		in[1][n] = envelope*math.Sin(phase*1.01)*.7 + .3*(rng.Float64()-.5)*envelope
	}
	// Signs that attain the sinc's L1 norm, just over the ceiling.
	sinc := WindowedSinc(16, 32, 6.5)
	for from := 5000; from < 8000; from += 200 {
		row := sinc.Row(from / 200 % 15)
		for j, h := range row {
			in[0][from+j] = math.Copysign(.9/sinc.L1(), h)
			in[1][from+j+77] = math.Copysign(.45/sinc.L1(), h)
		}
	}
	for _, c := range []struct {
		rate   int
		drive  float64
		linked bool
	}{{48000, 0, true}, {48000, 6, false}, {48000, 24, true}, {8000, 12, true}, {96000, 12, false}} {
		s := LimiterSettings{CeilingDBTP: -1, DriveDB: c.drive, LookaheadMs: 3, LinkChannels: c.linked}
		run := func(all bool) Block {
			p, err := NewLimiter(s, c.rate, 2)
			if err != nil {
				t.Fatal(err)
			}
			p.finder.interpolateAll = all
			out := NewBlock(2, frames)
			for ch := range out {
				copy(out[ch], in[ch])
			}
			p.Process(out)
			return out
		}
		skipping, full := run(false), run(true)
		for ch := range full {
			for n := range full[ch] {
				if math.Float64bits(skipping[ch][n]) != math.Float64bits(full[ch][n]) {
					t.Fatalf("%+v: channel %d, frame %d: %v, without skipping %v", c, ch, n, skipping[ch][n], full[ch][n])
				}
			}
		}
	}
}

// TestSkippingChangesNothingAnywhere does so with programmes drawn piece by
// piece and cut anywhere.
func TestSkippingChangesNothingAnywhere(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		channels := rapid.IntRange(1, 2).Draw(t, "channels")
		s := LimiterSettings{
			DriveDB:      rapid.SampledFrom([]float64{0, 3, 20}).Draw(t, "drive"),
			LookaheadMs:  rapid.SampledFrom([]float64{.5, 3}).Draw(t, "lookahead"),
			Recovery:     rapid.SampledFrom([]Recovery{MediumRecovery, SlowRecovery, FastRecovery}).Draw(t, "release"),
			LinkChannels: rapid.Bool().Draw(t, "linked"),
		}
		seed := rapid.Uint64().Draw(t, "seed")
		const frames = 2500
		run := func(all bool) Block {
			l, err := NewLimiter(s, 48000, channels)
			if err != nil {
				t.Fatal(err)
			}
			l.finder.interpolateAll = all
			rng := rand.New(rand.NewPCG(seed, 0))
			out := NewBlock(channels, frames)
			for _, x := range out {
				var kind int
				var level, hz float64
				for n := range x {
					if n%97 == 0 {
						kind, level, hz = rng.IntN(4), math.Pow(10, -1.5*rng.Float64()), 3*math.Pow(rng.Float64(), 3)
					}
					switch kind {
					case 1:
						x[n] = level * (2*rng.Float64() - 1)
					case 2:
						x[n] = math.Copysign(level, rng.Float64()-.5)
					case 3:
						x[n] = level * math.Sin(hz*float64(n))
					}
				}
			}
			for from := 0; from < frames; {
				to := frames
				if !all { // and block sizes change nothing either
					to = min(frames, from+1+rng.IntN(400))
				}
				part := make(Block, channels)
				for c := range part {
					part[c] = out[c][from:to]
				}
				l.Process(part)
				from = to
			}
			return out
		}
		skipping, full := run(false), run(true)
		for c := range full {
			for n := range full[c] {
				if math.Float64bits(skipping[c][n]) != math.Float64bits(full[c][n]) {
					t.Fatalf("channel %d, frame %d: %v, without skipping %v", c, n, skipping[c][n], full[c][n])
				}
			}
		}
	})
}

// TestReductionWindow compares with the definition: a running maximum, then the
// convolution with three boxes.
func TestReductionWindow(t *testing.T) {
	for _, width := range []int{1, 2, 5, 11, 113, 130, 1900} {
		w := newReductionWindow(width)
		w.reset()
		kernel := []float64{1}
		for _, box := range w.boxes {
			longer := make([]float64, len(kernel)+box-1)
			for i, k := range kernel {
				for j := range box {
					longer[i+j] += k / float64(box)
				}
			}
			kernel = longer
		}
		if len(kernel) != width {
			t.Fatalf("width %d: %d taps of %v", width, len(kernel), w.boxes)
		}
		rng := rand.New(rand.NewPCG(5, uint64(width)))
		var runs []reductionRun
		var reductions []float64
		for len(reductions) < 4*width+300 {
			r := reductionRun{reduction: rng.Float64(), frames: 1 + rng.IntN(width)}
			if rng.IntN(2) == 0 {
				r.reduction = 0
			}
			runs = append(runs, r)
			for range r.frames {
				reductions = append(reductions, r.reduction)
			}
		}
		gain := make([]float64, len(reductions))
		w.smooth(runs, gain)
		maxima := make([]float64, len(reductions))
		for n := range maxima {
			for _, d := range reductions[max(0, n-width+1) : n+1] {
				maxima[n] = max(maxima[n], d)
			}
		}
		for n, got := range gain {
			want := 1.0
			for j, k := range kernel {
				if n >= j {
					want -= k * maxima[n-j]
				}
			}
			// Fixed point has 2^-34 at the coarsest; 1e-9 leaves a factor.
			if math.Abs(got-want) > 1e-9 {
				t.Fatalf("width %d, frame %d: gain %v, want %v", width, n, got, want)
			}
			if at := n - width + 1; at >= 0 && got > 1-reductions[at]+1e-15 {
				t.Fatalf("width %d, frame %d: gain %v, reduction %v asked for", width, n, got, reductions[at])
			}
		}
	}
}

// TestReductionWindowReturnsToUnity runs dips for a long time: the sums must come
// back to exactly nothing.
func TestReductionWindowReturnsToUnity(t *testing.T) {
	w := newReductionWindow(130)
	w.reset()
	gain := make([]float64, 400)
	rng := rand.New(rand.NewPCG(1, 1))
	for range 3000 {
		w.smooth([]reductionRun{{rng.Float64(), 100}, {0, 300}}, gain)
		if gain[399] != 1 || w.integral != [4]int64{} {
			t.Fatalf("gain %v, sums %v after the dip", gain[399], w.integral)
		}
	}
	if !w.smooth([]reductionRun{{0, 400}}, gain) {
		t.Error("not at rest")
	}
}
