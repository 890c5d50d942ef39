package model

import (
	"math"
	"slices"

	"github.com/boothbench/boothbench/dsp"
)

// limiter is a look-ahead limiter's gain without its guard and its verification.
type limiter struct {
	dsp.LimiterSettings
	rate, ahead int     // Hz; frames of look-ahead
	overDB      float64 // by how much the largest true peak after the drive exceeds the ceiling
}

// pace is a recovery: how long a gain is held, its fast time constant, and those of
// the average that it falls to, all in ms.
type pace struct{ hold, fast, rise, fall float64 }

// paces are those of the limiter's recoveries; see the field's help in package chain.
var paces = map[dsp.Recovery]pace{
	dsp.SlowRecovery: {20, 40, 80, 400}, dsp.MediumRecovery: {11, 40, 200, 600}, dsp.FastRecovery: {8.5, 30, 150, 300},
}

const (
	limiterAimDB = 0.002     // how far under the ceiling the gain aims
	recoveryStep = 1 / 1500. // s, in which recoveries move
	slackDB      = 0.25      // peaks this near to the level keep it
	noticedShare = 0.75      // of the level in dB, below which peaks are not noticed
	pastZeroDB   = -0.05     // where a recovery aims, to arrive at 0
)

func newLimiter(s dsp.LimiterSettings, rate int) *limiter {
	return &limiter{s, rate, int(s.LookaheadMs*float64(rate)/1000 + 1e-9), math.Inf(-1)}
}

func (l *limiter) latency() int {
	if l.Verify {
		return l.ahead + dsp.VerificationFrames
	}
	return l.ahead
}

func (l *limiter) run(in dsp.Block) dsp.Block {
	drive := decibels(l.DriveDB)
	frames := in.Frames()
	driven := dsp.NewBlock(len(in), frames)
	for c, plane := range in {
		for n, v := range plane {
			driven[c][n] = drive * v
		}
	}
	var gains dsp.Block // at the input's frames
	if l.LinkChannels {
		gains = dsp.Block{l.gains(driven)}
	} else {
		for c := range driven {
			gains = append(gains, l.gains(driven[c:c+1]))
		}
	}
	out := dsp.NewBlock(len(in), frames)
	late := l.latency()
	for c := range in {
		g := gains[min(c, len(gains)-1)]
		for n := late; n < frames; n++ {
			out[c][n] = driven[c][n-late] * g[n-late]
		}
	}
	return out
}

// gains are the gains of channels that share one.
func (l *limiter) gains(x dsp.Block) []float64 {
	half := 6 // frames that the peak finder looks ahead
	switch {
	case l.ahead >= 96:
		half = 16
	case l.ahead >= 24:
		half = 8
	}
	guard := 2*min(12, max(3, l.ahead/6)) - 1
	return smoothed(l.reductions(x, half), l.ahead-half-guard+1)
}

// reductions are 1 − gain that the peaks require, held and released.
func (l *limiter) reductions(x dsp.Block, half int) []float64 {
	limit := decibels(l.CeilingDBTP - limiterAimDB)
	p := paces[l.Recovery]
	grid := max(1, int(float64(l.rate)*recoveryStep))
	held := (int(p.hold/1000*float64(l.rate)) + grid - 1) / grid
	step := func(ms float64) float64 { return pole(ms/float64(grid), l.rate) }
	fast, rise, fall := step(p.fast), 1-step(p.rise), 1-step(p.fall)

	peaks := truePeaks(x, half, limit)
	l.overDB = max(l.overDB, 20*math.Log10(slices.Max(peaks))-l.CeilingDBTP)
	out := make([]float64, len(peaks))
	var cells []float64 // the largest level of each step of the recovery, in dB over the limit
	level, average, largest := 0.0, 0.0, 0.0
	for n := -half; n < len(peaks); n++ {
		if n >= 0 {
			if peaks[n] > limit {
				if over := 20 * math.Log10(peaks[n]/limit); over > min(noticedShare*level, level-slackDB) {
					largest = max(largest, over)
					level = max(level, over)
				}
			}
			if level > 0 {
				out[n] = 1 - decibels(-level)
			}
		}
		if (n+half+1)%grid != 0 {
			continue
		}
		cells = append(cells, largest)
		largest = 0
		top := 0.0
		for _, v := range cells[max(0, len(cells)-held-1):] {
			top = max(top, v)
		}
		if top > 0 && top >= level-slackDB {
			top = level
		}
		target := top
		if top == 0 {
			target = pastZeroDB
		}
		if target > average {
			average += rise * (target - average)
		} else {
			average = max(0, average+fall*(target-average))
		}
		floor := max(top, average)
		aim := floor
		if floor == 0 {
			aim = pastZeroDB
		}
		level = max(floor, aim+fast*(level-aim))
	}
	return out
}

// smoothed is 1 − the largest of a frame's and the following values, smoothed by three
// moving averages that together are as long.
func smoothed(reduction []float64, width int) []float64 {
	frames := len(reduction)
	gain := make([]float64, frames)
	for n := range gain {
		gain[n] = 1
	}
	if slices.Max(reduction) == 0 {
		return gain
	}
	ahead := slices.Clone(reduction)
	slices.Reverse(ahead)
	ahead = slidingMax(ahead, width)
	slices.Reverse(ahead)
	total := float64(width + 2)
	first, second := max(1, int(math.Round(total*0.397))), max(1, int(math.Round(total*0.336)))
	for _, length := range []int{first, second, width + 2 - first - second} {
		sums := make([]float64, frames+1) // of values from 0 to 1: their rounding stays under 1e-9
		for n, v := range ahead {
			sums[n+1] = sums[n] + v
		}
		for n := range ahead {
			ahead[n] = (sums[n+1] - sums[max(0, n-length+1)]) / float64(length)
		}
	}
	for n, v := range ahead {
		gain[n] -= v
	}
	return gain
}

// annex2 are phases 0 and 1 of the interpolator of Rec. ITU-R BS.1770-5 Annex 2;
// phases 3 and 2 are these reversed.
var annex2 = [2][12]float64{
	{0.0017089843750, 0.0109863281250, -0.0196533203125, 0.0332031250000, -0.0594482421875, 0.1373291015625,
		0.9721679687500, -0.1022949218750, 0.0476074218750, -0.0266113281250, 0.0148925781250, -0.0083007812500},
	{-0.0291748046875, 0.0292968750000, -0.0517578125000, 0.0891113281250, -0.1665039062500, 0.4650878906250,
		0.7797851562500, -0.2003173828125, 0.1015625000000, -0.0582275390625, 0.0330810546875, -0.0189208984375},
}

// truePeaks is the largest |value| at each frame and in the intervals beside it: of
// the samples, of Annex 2, and of a sinc over 2·half samples under a Kaiser window
// of beta 6.5 (from half = 8 on). Where nothing near reaches half the limit, only
// the samples are looked at.
func truePeaks(x dsp.Block, half int, limit float64) []float64 {
	frames := x.Frames()
	peaks := make([]float64, frames)
	var sinc [][]float64
	if half >= 8 {
		for phase := 1; phase < 16; phase++ {
			taps := make([]float64, 2*half)
			for k := range taps {
				t := float64(k-half+1) - float64(phase)/16
				taps[k] = math.Sin(math.Pi*t) / (math.Pi * t) * kaiser(t/float64(half), 6.5)
			}
			sinc = append(sinc, taps)
		}
	}
	for _, plane := range x {
		at := func(i int) float64 {
			if i < 0 || i >= frames {
				return 0
			}
			return plane[i]
		}
		for n := range frames {
			peaks[n] = max(peaks[n], math.Abs(plane[n]))
			if math.Abs(plane[n]) < limit/2 && math.Abs(at(n+1)) < limit/2 {
				continue
			}
			between := 0.0 // of frames n and n+1
			for _, taps := range annex2 {
				forward, backward := 0.0, 0.0
				for k, h := range taps {
					forward += h * at(n-5+k)
					backward += h * at(n-5+11-k)
				}
				between = max(between, math.Abs(forward), math.Abs(backward))
			}
			for _, taps := range sinc {
				sum := 0.0
				for k, h := range taps {
					sum += h * at(n-half+1+k)
				}
				between = max(between, math.Abs(sum))
			}
			peaks[n] = max(peaks[n], between)
			if n+1 < frames {
				peaks[n+1] = max(peaks[n+1], between)
			}
		}
	}
	return peaks
}

// kaiser is Kaiser's window at t from −1 to 1 (Kaiser 1974).
func kaiser(t, beta float64) float64 {
	bessel := func(x float64) float64 {
		sum, term := 1.0, 1.0
		for k := 1.0; k < 40; k++ {
			term *= x / 2 / k
			sum += term * term
		}
		return sum
	}
	return bessel(beta*math.Sqrt(max(0, 1-t*t))) / bessel(beta)
}
