package compare

import (
	"math"
	"math/cmplx"

	"github.com/boothbench/boothbench/dsp"
)

const (
	filterLossDB  = -20 // at the end of the spectrum: less is a shelf or a slope
	filterCorner  = -3  // dB
	filterSkirt   = 2   // frequencies this near to the corner, as a ratio, belong to the filter
	filterLeastDB = -90 // of A's loudest twelfth of an octave: what lies under it shows no loss
	filterFloorDB = -135
)

// spectralEnd is where B's spectrum ends and A's goes on; hz 0: nowhere.
type spectralEnd struct {
	hz    float64 // 3 dB down
	db    float64 // largest loss beyond, of what follows A: less than 0
	below bool
}

// twelfth is a twelfth of an octave of the comparison.
type twelfth struct {
	hz       float64
	response float64 // dB, of what in B follows A
	upper    float64 // dB, the response if the noise is A's (H2)
	noise    bool    // A holds steady noise
	loss     float64 // dB, of B against A, whatever it holds
}

// ends are the lower and the upper end of B's spectrum against a level in dB, where A's
// goes on by a third of an octave at least and B is 20 dB down there.
func (b *bandComparison) ends(levelDB float64) (lowest, highest spectralEnd) {
	parts := b.twelfths(levelDB)
	lowest = end(parts)
	lowest.below = true
	b.refine(&lowest, levelDB)
	for i, j := 0, len(parts)-1; i < j; i, j = i+1, j-1 {
		parts[i], parts[j] = parts[j], parts[i]
	}
	highest = end(parts)
	b.refine(&highest, levelDB)
	return lowest, highest
}

// refine finds the corner between the twelfths of an octave beside it by single bins,
// three at a time: a steep filter falls by more than a twelfth of an octave shows.
func (b *bandComparison) refine(e *spectralEnd, levelDB float64) {
	if e.hz == 0 {
		return
	}
	binHz := float64(b.rate) / float64(b.length)
	response := func(k int) float64 {
		var xx float64
		var xy complex128
		for j := k - 1; j <= k+1; j++ {
			xx, xy = xx+b.xx[j], xy+b.xy[j]
		}
		return dsp.AmplitudeToDB(cmplx.Abs(xy)/xx) - levelDB
	}
	low, high := e.hz*math.Pow(2, -1.0/8)/binHz, e.hz*math.Pow(2, 1.0/8)/binHz
	inside, outside, step := int(low), int(high), 1 // from the pass band outwards
	if e.below {
		inside, outside, step = outside, inside, -1
	}
	if min(inside, outside) < 2 || max(inside, outside) > len(b.xx)-3 || max(inside, outside)-min(inside, outside) < 8 {
		return // too few bins to say more
	}
	for k := outside; k != inside; k -= step {
		near, far := response(k-step), response(k)
		if near >= filterCorner && far < filterCorner {
			e.hz = (float64(k) - float64(step)*(filterCorner-far)/(near-far)) * binHz
			return
		}
	}
}

// end is the end of the spectrum at the beginning of a list.
func end(parts []twelfth) (e spectralEnd) {
	lost := 0 // up to here all is under the corner
	for i, p := range parts {
		if p.response >= filterCorner || p.noise && p.upper >= filterCorner {
			break
		}
		e.db = min(e.db, p.response)
		lost = i + 1
	}
	if lost < 4 || lost >= len(parts) || e.db > filterLossDB {
		return spectralEnd{}
	}
	inside, outside := parts[lost], parts[lost-1]
	share := (filterCorner - inside.response) / (outside.response - inside.response)
	e.hz = inside.hz * math.Pow(outside.hz/inside.hz, max(0, min(1, share)))
	return e
}

// twelfths are the twelfths of an octave, upwards from 20 Hz, in which A holds enough.
func (b *bandComparison) twelfths(levelDB float64) (all []twelfth) {
	if b.blocks == 0 {
		return nil
	}
	binHz := float64(b.rate) / float64(b.length)
	n := float64(b.blocks * len(b.x))
	most := 0.0
	var powers []float64
	for hz := 20.0; hz*math.Pow(2, 1.0/24) < 0.48*float64(b.rate); hz *= math.Pow(2, 1.0/12) {
		from, to := int(math.Ceil(hz*math.Pow(2, -1.0/24)/binHz)), int(math.Floor(hz*math.Pow(2, 1.0/24)/binHz))
		if from > to || from < 2 {
			continue
		}
		var xx, yy, moment float64
		var xy complex128
		for k := from; k <= to; k++ {
			if b.xx[k] > 0 {
				moment += b.xSquares[k] * n / (b.xx[k] * b.xx[k]) / float64(to-from+1)
			}
			xx, yy, xy = xx+b.xx[k], yy+b.yy[k], xy+b.xy[k]
		}
		most = max(most, xx)
		powers = append(powers, xx/n)
		all = append(all, twelfth{hz: hz, response: dsp.AmplitudeToDB(cmplx.Abs(xy)/xx) - levelDB, loss: dsp.PowerToDB(yy/xx) - levelDB,
			upper: dsp.AmplitudeToDB(yy/max(cmplx.Abs(xy), math.SmallestNonzeroFloat64)) - levelDB, noise: moment < noisePeaked})
	}
	// From either end, what A does not hold, or noise in B hides, shows nothing.
	holds := func(i int) bool {
		masked := all[i].response < filterLossDB && all[i].loss > filterCorner // by noise of B's own
		return !masked && powers[i] > most/n*dsp.DBToPower(filterLeastDB) && powers[i] > dsp.DBToPower(filterFloorDB)
	}
	first, last := 0, len(all)
	for first < last && !holds(first) {
		first++
	}
	for last > first && !holds(last-1) {
		last--
	}
	return all[first:last]
}
