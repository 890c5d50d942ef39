package dsp

import (
	"math"
	"math/rand/v2"
	"testing"
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

// TestDepthWindow compares with the definition: a running maximum, then the
// convolution with three boxes.
func TestDepthWindow(t *testing.T) {
	for _, width := range []int{1, 2, 5, 11, 113, 130, 1900} {
		w := newDepthWindow(width)
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
		var runs []depthRun
		var depths []float64
		for len(depths) < 4*width+300 {
			r := depthRun{depth: rng.Float64(), frames: 1 + rng.IntN(width)}
			if rng.IntN(2) == 0 {
				r.depth = 0
			}
			runs = append(runs, r)
			for range r.frames {
				depths = append(depths, r.depth)
			}
		}
		gain := make([]float64, len(depths))
		w.smooth(runs, gain)
		maxima := make([]float64, len(depths))
		for n := range maxima {
			for _, d := range depths[max(0, n-width+1) : n+1] {
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
			if at := n - width + 1; at >= 0 && got > 1-depths[at]+1e-15 {
				t.Fatalf("width %d, frame %d: gain %v, depth %v asked for", width, n, got, depths[at])
			}
		}
	}
}

// TestDepthWindowReturnsToUnity runs dips for a long time: the sums must come
// back to exactly nothing.
func TestDepthWindowReturnsToUnity(t *testing.T) {
	w := newDepthWindow(130)
	w.reset()
	gain := make([]float64, 400)
	rng := rand.New(rand.NewPCG(1, 1))
	for range 3000 {
		w.smooth([]depthRun{{rng.Float64(), 100}, {0, 300}}, gain)
		if gain[399] != 1 || w.integral != [4]int64{} {
			t.Fatalf("gain %v, sums %v after the dip", gain[399], w.integral)
		}
	}
	if !w.smooth([]depthRun{{0, 400}}, gain) {
		t.Error("not at rest")
	}
}
