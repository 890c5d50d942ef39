package model

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
)

// detect is the level in dBFS that a stage's detector has at every frame: of each
// channel, or of the loudest (one plane) if they are linked.
func detect(kind dsp.DetectorKind, windowMs, highPassHz float64, linked bool, rate int, in dsp.Block) dsp.Block {
	if highPassHz > 0 {
		in = filter{butterworth(2, highPassHz, true, rate)}.run(in)
	}
	if kind == dsp.RMS {
		return inDecibels(meanSquares(windowMs, linked, rate, in), 10)
	}
	var levels dsp.Block
	window := max(1, dsp.Frames(windowMs, rate))
	if linked {
		levels = dsp.Block{heldPeaks(in, window)}
	} else {
		for c := range in {
			levels = append(levels, heldPeaks(in[c:c+1], window))
		}
	}
	return inDecibels(levels, 20)
}

func inDecibels(levels dsp.Block, factor float64) dsp.Block {
	for _, plane := range levels {
		last, db := math.NaN(), 0.0
		for n, v := range plane {
			if v != last {
				last, db = v, factor*math.Log10(v)
			}
			plane[n] = db
		}
	}
	return levels
}

// meanSquares is the mean square over a window weighted by a triangle: two equal
// moving averages in series. It is taken anew at the end of every group of frames,
// and stays in between: groups are a power of two, at most half a millisecond and at
// most a sixteenth of the window.
func meanSquares(windowMs float64, linked bool, rate int, in dsp.Block) dsp.Block {
	half := max(1, dsp.Frames(windowMs/2, rate))
	group := 1
	for 2*group*2000 <= rate && 2*group*16 <= 2*half {
		group *= 2
	}
	half = (half + group/2) / group * group // of whole groups
	levels := make(dsp.Block, len(in))
	for c, x := range in {
		levels[c] = make([]float64, len(x))
		// Of each group the sum of the squares, and of the squares times their place in
		// the group.
		sums, moments := make([]float64, len(x)/group), make([]float64, len(x)/group)
		for g := range sums {
			for i, v := range x[g*group : (g+1)*group] {
				sums[g] += v * v
				moments[g] += float64(i) * v * v
			}
		}
		level, wide := 0.0, half/group
		for n := range x {
			if (n+1)%group == 0 {
				sum, last := 0.0, n/group
				for g := max(0, last-2*wide+1); g <= last; g++ {
					if g > last-wide { // weights fall to 1 at frame n
						sum += float64(n+1-g*group)*sums[g] - moments[g]
					} else { // weights rise from 0
						sum += float64(g-last+2*wide-1)*float64(group)*sums[g] + moments[g]
					}
				}
				level = sum / float64(half) / float64(half)
			}
			levels[c][n] = level
		}
	}
	if !linked {
		return levels
	}
	for _, plane := range levels[1:] {
		for n, v := range plane {
			levels[0][n] = max(levels[0][n], v)
		}
	}
	return levels[:1]
}

// heldPeaks is the largest |sample| of some channels over a window. A crest between
// samples counts a frame later, where the sample next to it lies within 3 dB of the
// level.
func heldPeaks(in dsp.Block, window int) []float64 {
	frames := in.Frames()
	largest, held := make([]float64, frames), make([]float64, frames)
	var best []int // frames of the window whose peaks may become the largest, falling
	last, level := 0.0, 0.0
	for n := range frames {
		v := 0.0
		for _, x := range in {
			v = max(v, math.Abs(x[n]))
		}
		peak := v
		if last*math.Sqrt2 > level*(1-1e-12) {
			for _, x := range in {
				peak = max(peak, sineCrest(x, n-1))
			}
		}
		last = v
		largest[n] = peak
		for len(best) > 0 && largest[best[len(best)-1]] <= peak {
			best = best[:len(best)-1]
		}
		best = append(best, n)
		if best[0] <= n-window {
			best = best[1:]
		}
		level = largest[best[0]]
		held[n] = level
	}
	return held
}

// slidingMax is the largest of the last values of a window, at each.
func slidingMax(x []float64, window int) []float64 {
	held := make([]float64, len(x))
	var best []int // places of the window whose values may become the largest, falling
	for n, v := range x {
		for len(best) > 0 && x[best[len(best)-1]] <= v {
			best = best[:len(best)-1]
		}
		best = append(best, n)
		if best[0] <= n-window {
			best = best[1:]
		}
		held[n] = x[best[0]]
	}
	return held
}

// sineCrest is the amplitude of the sine through frame n and its neighbours, where
// frame n is the largest of the three. It is 0 if that sine is not below a quarter
// of the rate, or misses the frame before them by more than a quarter of what the
// sine falls by to both sides.
func sineCrest(x []float64, n int) float64 {
	at := func(i int) float64 {
		if i < 0 {
			return 0
		}
		return x[i]
	}
	if n < 0 || n+1 >= len(x) {
		return 0
	}
	earlier, before, y, after := at(n-2), at(n-1), x[n], x[n+1]
	if y < 0 {
		earlier, before, y, after = -earlier, -before, -y, -after
	}
	falls := 2*y - before - after
	if before > y || after > y || math.Abs(after) >= y || falls <= 0 || falls >= 2*y {
		return 0
	}
	cos := 1 - falls/(2*y) // of the angle a sample
	if math.Abs(earlier-(2*cos*before-y)) > falls/4 {
		return 0
	}
	sin := math.Sqrt(1 - cos*cos)
	quadrature := (before - after) / (2 * sin)
	return math.Max(y, math.Hypot(y, quadrature))
}
