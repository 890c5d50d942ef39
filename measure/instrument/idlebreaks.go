package instrument

import (
	"fmt"
	"math"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// A recorded silence holds a device's noise. A click, or a piece that a gate or a lost buffer
// has muted, is not part of it.

const (
	// A block of 20 ms has a click if its peak exceeds the median of the peaks of the 8 blocks
	// on either side by a factor of idleOut: 12 dB. Normal noise stays under a factor of 2,
	// Laplace noise under 3, hum under 1.1; a sound that repeats at 50 Hz or faster is in every
	// block. (a test)
	idleBlockMs = 20
	idleOut     = 4

	// Samples of a run differ by no more than runShare of the noise's rms. A run of leastRunMs
	// or more is a muted piece if chance would make one in fewer than one of runChance
	// recordings.
	runShare   = 1e-3
	leastRunMs = 2
	runChance  = 1e6
	// Noise whose level drifts has longer runs where it is low. So a run must also be runsOut
	// times as long as the run of the median sample around it. By chance, such a run has a
	// probability of e^−14.
	runsOut = 20
	// Runs shorter than this give the probability that a run goes on: in noise of a few steps
	// of an integer scale, samples are often equal.
	commonRunMs = 1
)

// clicksOf finds clicks in noise.
func clicksOf(x []float64, rate int) []soundBreak {
	block := func(int) int { return rate * idleBlockMs / 1000 }
	all := slices.DeleteFunc(breaksIn(x, 0, len(x), block, block), func(b soundBreak) bool { return b.over < idleOut })
	return joined(all, func(int) int { return rate / 8 })
}

// mutedPiece is a run of equal samples in noise.
type mutedPiece struct{ frame, frames int }

// mutedPieces finds runs that are too long for noise.
func mutedPieces(x []float64, rate int) (all []mutedPiece) {
	level, sounding := rms(x), 0
	for _, v := range x {
		if v != 0 {
			sounding++
		}
	}
	if sounding < len(x)/100 { // single clicks in zeros are no noise that stops
		return nil
	}
	common := max(8, rate*commonRunMs/1000)
	var runs []mutedPiece
	begin := 0
	for n := 1; n <= len(x); n++ {
		if n < len(x) && math.Abs(x[n]-x[n-1]) <= runShare*level {
			continue
		}
		runs = append(runs, mutedPiece{begin, n - begin})
		begin = n
	}
	// Counts how many of the runs that have reached some length end at each further sample.
	const some = 4
	ends, steps := 1.0, 1.0
	for _, r := range runs {
		if r.frames < some {
			continue
		}
		steps += float64(min(r.frames, common) - some + 1)
		if r.frames < common {
			ends++
		}
	}
	likely := -math.Log1p(-min(0.999999, ends/steps)) // probability of an end, in nepers per sample
	least := float64(some) + math.Log(float64(len(runs))*runChance)/likely
	for i, r := range runs {
		if float64(r.frames) >= max(least, float64(rate*leastRunMs/1000)) && float64(r.frames) > runsOut*usualRun(runs, i, rate) {
			all = append(all, r)
		}
	}
	return all
}

// usualRun is the length of the run that holds the median sample, within half a second on
// either side of a run.
func usualRun(runs []mutedPiece, i, rate int) float64 {
	var around []int
	total := 0
	for _, side := range []int{-1, 1} {
		for k := i + side; k >= 0 && k < len(runs) && abs(runs[k].frame-runs[i].frame) < runs[i].frames+rate/2; k += side {
			around = append(around, runs[k].frames)
			total += runs[k].frames
		}
	}
	slices.Sort(around)
	sum := 0
	for _, frames := range around {
		if sum += frames; 2*sum >= total {
			return float64(frames)
		}
	}
	return 0
}

// findIdleBreaks reports clicks and muted pieces in a silence.
func (a *Alignment) findIdleBreaks(s stimulus.Silence) error {
	from, to := idleFrames(a.Rate, s.Seconds, 0)
	return eachPlane(a.Sound, func(c int, plane []float64) error {
		if to = min(to, len(plane)); to-from < a.Rate/2 {
			return nil
		}
		x := plane[from:to]
		report := func(what, do string) {
			a.Findings = append(a.Findings, measure.Finding{Severity: measure.Fault, What: what, Do: do, Frame: -1, Channel: a.channel(c)})
		}
		if clicks := clicksOf(x, a.Rate); len(clicks) > 0 {
			first := from + clicks[0].frame
			over := "out of samples that are exactly 0"
			if most := mostOver(clicks); !math.IsInf(most, 1) {
				over = fmt.Sprintf("%.0f dB over the peaks of the noise around it", dsp.AmplitudeToDB(most))
			}
			report(fmt.Sprintf("a click in the silence at %s of the recording, %.3f s into it%s, %s", a.timeCode(first), float64(first)/float64(a.Rate), furtherPlaces(clicks), over),
				"record again with nothing switched or touched nearby, and with larger buffers: the levels of noise count the click")
		}
		if muted := mutedPieces(x, a.Rate); len(muted) > 0 {
			total := 0
			for _, p := range muted {
				total += p.frames
			}
			first := from + muted[0].frame
			report(fmt.Sprintf("the noise stops at %s of the recording, %.3f s into it: %.1f ms of equal samples in %s", a.timeCode(first), float64(first)/float64(a.Rate), float64(total)*1000/float64(a.Rate), dsp.Plural(len(muted), "piece")),
				"switch off what mutes or gates the path, or record again with larger buffers: the levels of noise count the muted pieces")
		}
		return nil
	})
}
