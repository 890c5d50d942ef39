package tune

import (
	"math"
	"slices"
)

// peakTrack stores the sample peaks from which a compressor and a limiter are set, behind a
// high-pass. The corner of that high-pass follows from the whole take, so the peaks are stored
// behind the lowest and the highest corner. They cover stretches of 10 s. Six stretches from
// all over the take are used, but its length is known only at its end. So the whole first
// minute is covered, and then three stretches of every doubling of the time.
type peakTrack struct {
	covered []int                       // numbers of the stretches that are covered
	corners [len(peakCornersHz)][]int16 // behind each corner
	used    []int                       // the stretches in use, as indices into covered
	level   []int16                     // of the covered stretches, one after the other, behind the chosen corner
}

// peakCornersHz are the lowest and the highest corner of a proposal.
var peakCornersHz = [...]float64{leastCornerHz, mostCornerHz}

const (
	peakStretchMs   = 10_000
	wholeStretches  = 6 // from the start
	usedStretches   = 6
	stretchesEachOf = 3 // of every doubling of the time
)

// hasPeaks reports whether the track covers a millisecond.
func hasPeaks(ms int) bool {
	stretch := ms / peakStretchMs
	if stretch < wholeStretches {
		return true
	}
	step := 1
	for 2*step*stretchesEachOf <= stretch {
		step *= 2
	}
	return stretch%step == 0
}

// enter stores the largest magnitudes of a millisecond behind each corner.
func (t *peakTrack) enter(ms int, largest [len(peakCornersHz)]float64) {
	if !hasPeaks(ms) {
		return
	}
	if stretch := ms / peakStretchMs; len(t.covered) == 0 || t.covered[len(t.covered)-1] != stretch {
		t.covered = append(t.covered, stretch)
	}
	for k, peak := range largest {
		t.corners[k] = append(t.corners[k], centibels(peak*peak))
	}
}

// behind computes level for a high-pass at hz: interpolated linearly in dB between the two
// nearest corners.
func (t *peakTrack) behind(hz float64) {
	hz = max(peakCornersHz[0], min(peakCornersHz[len(peakCornersHz)-1], hz))
	k := 0
	for k < len(peakCornersHz)-2 && hz > peakCornersHz[k+1] {
		k++
	}
	share := (hz - peakCornersHz[k]) / (peakCornersHz[k+1] - peakCornersHz[k])
	low, high := t.corners[k], t.corners[k+1]
	t.level = make([]int16, len(low))
	for i := range low {
		t.level[i] = int16(math.Round(float64(low[i]) + share*float64(high[i]-low[i])))
	}
}

// pieces returns the stretches in use, as ranges of milliseconds. Thresholds are solved on
// them.
func (t *peakTrack) pieces() (pieces [][2]int) {
	for _, k := range t.used {
		from := t.covered[k] * peakStretchMs
		pieces = append(pieces, [2]int{from, from + len(t.stretch(k))})
	}
	return pieces
}

// stretch returns the peaks of the covered stretch with index k.
func (t *peakTrack) stretch(k int) []int16 { return ofStretch(t.level, k) }

// lowestCorner returns the peaks of the covered stretch with index k, behind the lowest corner.
func (t *peakTrack) lowestCorner(k int) []int16 { return ofStretch(t.corners[0], k) }

func ofStretch(level []int16, k int) []int16 {
	return level[k*peakStretchMs : min(len(level), (k+1)*peakStretchMs)]
}

// use chooses the stretches to use, by the level of the take. Candidates hold at least half as
// much active sound as the covered stretch with the most. Of these it takes the nearest to six
// places spread evenly over the take. So a stretch within a long pause is not used.
func (t *peakTrack) use(level []int16, active activity) {
	held, most := make([]int, len(t.covered)), 0
	for k, stretch := range t.covered {
		from := stretch * peakStretchMs
		for _, v := range level[min(len(level), from):min(len(level), from+len(t.lowestCorner(k)))] {
			if v > active.over {
				held[k]++
			}
		}
		most = max(most, held[k])
	}
	t.used = nil
	for k := range t.covered {
		if 2*held[k] >= most {
			t.used = append(t.used, k)
		}
	}
	if len(t.used) <= usedStretches {
		return
	}
	var spread []int
	first, last := t.covered[t.used[0]], t.covered[t.used[len(t.used)-1]]
	for i := range usedStretches {
		at := first + i*(last-first)/(usedStretches-1)
		spread = append(spread, slices.MinFunc(t.used, func(a, b int) int {
			return distance(t.covered[a], at) - distance(t.covered[b], at)
		}))
	}
	t.used = slices.Compact(spread)
}

func distance(a, b int) int { return max(a-b, b-a) }

// peaks returns the peaks of the pieces, one after the other.
func (t *peakTrack) peaks() (all []int16) {
	for _, k := range t.used {
		all = append(all, t.stretch(k)...)
	}
	return all
}

// excerpt returns the pieces of a track of the whole take, one after the other; zeros where the
// track is nil.
func (t *peakTrack) excerpt(track []int16) (part []int16) {
	for _, p := range t.pieces() {
		if n := p[1] - p[0]; track == nil {
			part = append(part, make([]int16, n)...)
		} else {
			part = append(part, track[min(len(track), p[0]):min(len(track), p[1])]...)
		}
	}
	return part
}
