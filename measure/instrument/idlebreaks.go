package instrument

import (
	"fmt"
	"math"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// A silence holds a device's noise. A click, or a piece that a gate or a lost buffer has
// muted, is none of it.

const (
	// A block of 20 ms is a click's if its peak is more than idleOut times the median of
	// those of 8 blocks on either side: 12 dB. Normal noise stays under 2 times, noise of
	// a Laplace distribution under 3, hum under 1.1; what repeats at 50 Hz and faster is
	// in every block. (a test)
	idleBlockMs = 20
	idleOut     = 4

	// A run of equal samples is as little as runShare of the noise apart. One of leastRunMs
	// and more is no noise where it would be there by chance in less than one of
	// runChance recordings.
	runShare   = 1e-3
	leastRunMs = 2
	runChance  = 1e6
	// Noise whose level drifts has longer runs where it is low: a run is also runsOut times
	// as long as the one of the median sample around it. Runs by chance are e^−14 as rare.
	runsOut = 20
	// Runs shorter than this say how likely a run goes on: of noise of a few steps of
	// its integers samples are equal often.
	commonRunMs = 1
)

// clicksOf finds what stands far out of noise.
func clicksOf(x []float64, rate int) []soundBreak {
	block := func(int) int { return rate * idleBlockMs / 1000 }
	all := instants(x, 0, len(x), block, block)
	// Hum hides a click, and is slow.
	steps := make([]float64, len(x))
	for n := 1; n+1 < len(x); n++ {
		steps[n] = x[n-1] - 2*x[n] + x[n+1]
	}
	all = append(all, instants(steps, 0, len(x), block, block)...)
	all = slices.DeleteFunc(all, func(b soundBreak) bool { return b.over < idleOut })
	slices.SortFunc(all, func(a, b soundBreak) int { return a.frame - b.frame })
	return joined(all, func(int) int { return rate / 8 })
}

// mutedPiece is a run of equal samples within noise.
type mutedPiece struct{ frame, frames int }

// mutedPieces finds runs that are too long to be noise.
func mutedPieces(x []float64, rate int) (all []mutedPiece) {
	level := rms(x)
	if level == 0 {
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
	// Of runs that have lasted for some samples, how many end at each one more.
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
	likely := -math.Log1p(-min(0.999999, ends/steps)) // of an end, in nepers a sample
	least := float64(some) + math.Log(float64(len(runs))*runChance)/likely
	for i, r := range runs {
		if float64(r.frames) >= max(least, float64(rate*leastRunMs/1000)) && float64(r.frames) > runsOut*usualRun(runs, i, rate) {
			all = append(all, r)
		}
	}
	return all
}

// usualRun is how long the run is in which the median sample lies, within half a second
// on either side of a run.
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

// findIdleBreaks reports clicks in a silence, and pieces that are muted.
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
