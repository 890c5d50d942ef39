package take

import (
	"math"
	"slices"

	"github.com/boothbench/boothbench/dsp"
)

// pauses are the frames of a take in which nothing but its noise was heard.
type pauses struct {
	frames  []int   // indices of the 50 ms frames
	levelDB float64 // power mean of them
	spread  float64 // rms distance of the level from its mode, dB
}

const (
	// frameMs and hopMs cut a take into frames whose levels are compared.
	frameMs, hopMs = 50, 25
	// deadDB is the level in dBFS below which a frame is an edit (digital
	// silence), not a recorded pause.
	deadDB = -120
	// leastPauseSeconds is how much noise a floor has to rest on.
	leastPauseSeconds = 0.3
)

// findPauses finds the noise of a take from the levels of its frames in dBFS,
// each a hop after the one before.
//
// The levels of a take lie in humps: its noise, and its speech. The noise is
// the lowest hump that is more than chance: the lowest maximum of a smoothed
// density that holds 3 % of the frames, and six at least, within 1.5 dB. Loud
// things (a cough, a door, breaths), however many, only add to other humps; and
// the lowest single frames do not count either. (Own estimator; what it reads is
// tested with planted coughs, doors and breaths.)
func findPauses(levels []float64) (pauses, bool) {
	var live []float64
	for _, l := range levels {
		if l > deadDB {
			live = append(live, l)
		}
	}
	if len(live) == 0 {
		return pauses{}, false
	}
	slices.Sort(live)
	mode, ok := lowestMode(live)
	if !ok {
		return pauses{}, false
	}
	p := pauses{spread: spreadBelow(live, mode)}
	low, high := mode-3*p.spread, mode+2.5*p.spread
	power := 0.0
	for i, l := range levels {
		if l >= low && l <= high && l > deadDB {
			p.frames = append(p.frames, i)
			power += dsp.DBToPower(l)
		}
	}
	p.levelDB = dsp.PowerToDB(power / float64(len(p.frames)))
	return p, p.seconds() >= leastPauseSeconds
}

// seconds is how long they are together.
func (p pauses) seconds() float64 { return float64(len(p.frames)) * hopMs / 1000 }

// lowestMode is the lowest significant maximum of the density of sorted levels.
func lowestMode(sorted []float64) (float64, bool) {
	const step, width = 0.1, 0.7 // dB: grid and smoothing
	from, to := sorted[0]-2, sorted[len(sorted)-1]+2
	n := int((to-from)/step) + 1
	density := make([]float64, n)
	for _, l := range sorted {
		centre := int((l - from) / step)
		for k := max(0, centre-40); k <= min(n-1, centre+40); k++ {
			d := (from + float64(k)*step - l) / width
			density[k] += math.Exp(-d * d / 2)
		}
	}
	need := max(0.03*float64(len(sorted)), 6)
	for k := 1; k < n-1; k++ {
		if density[k] < density[k-1] || density[k] <= density[k+1] {
			continue
		}
		v := from + float64(k)*step
		first, _ := slices.BinarySearch(sorted, v-1.5)
		last, _ := slices.BinarySearch(sorted, v+1.5)
		if float64(last-first) >= need {
			return v, true
		}
	}
	return 0, false
}

// spreadBelow is the rms distance of the levels under a mode, which speech does
// not reach.
func spreadBelow(sorted []float64, mode float64) float64 {
	sum, count := 0.0, 0
	for _, l := range sorted {
		if l <= mode && l > mode-8 {
			sum, count = sum+(mode-l)*(mode-l), count+1
		}
	}
	if count == 0 {
		return 0.3
	}
	return min(3, max(0.3, math.Sqrt(sum/float64(count))))
}

// stretches joins the pauses' frames into stretches of sound, in frames of the
// file: first and one past the last.
func (p pauses) stretches(rate int) [][2]int64 {
	hop, length := int64(rate)*hopMs/1000, int64(rate)*frameMs/1000
	var all [][2]int64
	for _, i := range p.frames {
		from, to := int64(i)*hop, int64(i)*hop+length
		if k := len(all) - 1; k >= 0 && from <= all[k][1] {
			all[k][1] = to
		} else {
			all = append(all, [2]int64{from, to})
		}
	}
	return all
}
