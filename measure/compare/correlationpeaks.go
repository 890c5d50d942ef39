package compare

import (
	"math"
	"math/cmplx"
	"sort"

	"github.com/boothbench/boothbench/dsp/vector"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/internal/spectra"
	"github.com/boothbench/boothbench/measure/internal/timemap"
)

// searchIn correlates a probe with a sound for every place from one to another, by
// transforms of a block at a time. Of peaks that are as good, as in a tone, the one
// next to home is meant.
func searchIn(open func() (wave.Source, error), frames int64, channel int, probe []float64, from, to, home int64, e emphasis) (candidate, error) {
	length := 2
	for length < max(2*len(probe), leastSearch) {
		length *= 2
	}
	step := length - len(probe) + 1
	probe = e.of(probe)
	probe[0] = 0 // what was before is not in it
	energy := vector.SumOfSquares(probe)
	fft := spectra.NewFFT(length)
	padded := make([]float64, length)
	copy(padded, probe)
	template := fft.Coefficients(nil, padded)
	best := candidate{}
	var bins []complex128
	var lags []float64
	var places []candidate
	for at := from; at <= to; at += int64(step) {
		blocks, err := planes.Gather(open, channel, []planes.Extent{{From: at - 1, Frames: length + 1}})
		if err != nil {
			return best, err
		}
		x := e.of(blocks[0])[1:]
		for _, edge := range []int64{0, frames} { // a file's begin and end are no jumps of the sound
			if k := edge - at; k >= 0 && k < int64(len(x)) {
				x[k] = 0
			}
		}
		bins = fft.Coefficients(bins, x)
		for k := range bins {
			bins[k] *= cmplx.Conj(template[k])
		}
		lags = fft.Sequence(lags, bins)
		sums := make([]float64, length+1)
		for n, v := range x {
			sums[n+1] = sums[n] + v*v
		}
		for k := 0; k < step && at+int64(k) <= to; k++ {
			there := sums[k+len(probe)] - sums[k]
			// A place with a tenth of the energy is an edge, and not a correlation.
			norm := math.Sqrt(energy * max(there, 0.1*energy*minRatio(energy, there)))
			if norm == 0 {
				continue
			}
			r := lags[k] / float64(length) / norm
			if math.Abs(r) < math.Abs(best.correlation)*asGood {
				continue
			}
			here := candidate{frame: at + int64(k), correlation: r}
			if k > 0 && k+1 < step {
				here.fraction = vertex(lags[k-1], lags[k], lags[k+1])
			}
			places = append(places, here)
			if math.Abs(r) > math.Abs(best.correlation) {
				best = here
			}
		}
	}
	nearest := best
	var others []candidate
	for _, p := range peaksOf(places) {
		if math.Abs(p.correlation) < math.Abs(best.correlation)*asGood {
			continue
		}
		others = append(others, p)
		if absolute(p.frame-home) < absolute(nearest.frame-home) {
			nearest = p
		}
	}
	nearest.others = others
	return nearest, nil
}

// leastSearch is the least length of a transform in a search: each block is read anew.
const leastSearch = 1 << 16

// vertex is where, from the middle one, a parabola through three values at whole places
// has its vertex: within half a place, or 0.
func vertex(before, at, after float64) float64 {
	if curvature := before - 2*at + after; curvature != 0 {
		if d := (before - after) / (2 * curvature); math.Abs(d) <= 0.5 {
			return d
		}
	}
	return 0
}

// asGood is the share of the best correlation from which on a peak is as good: where
// whole periods of a tone are missing at an end, a little is lost, and more where the
// peak of a high tone lies between two frames.
const asGood = 0.97

// peaksOf keeps the best of every run of neighbouring places of one sign.
func peaksOf(places []candidate) (peaks []candidate) {
	for i, p := range places {
		if i > 0 && p.frame == places[i-1].frame+1 && p.correlation*places[i-1].correlation > 0 {
			if last := &peaks[len(peaks)-1]; math.Abs(p.correlation) > math.Abs(last.correlation) {
				*last = p
			}
			continue
		}
		peaks = append(peaks, p)
	}
	return peaks
}

// minRatio lets a sound that is quieter as a whole still be found: the floor of its
// energy goes with the level there.
func minRatio(energy, there float64) float64 {
	if energy == 0 {
		return 0
	}
	return min(1, there/energy)
}

func absolute(n int64) int64 { return max(n, -n) }

// mostPlaces is how many places that are as good are looked at, the nearest ones.
const mostPlaces = 400

// byTheEdges chooses among places that are as good, as there are in a tone: where the
// sound begins and ends shows which of them it is. If nothing does, the first stays,
// which is the nearest, and the place is ambiguous.
func (g aligner) byTheEdges(best *candidate) error {
	sort.SliceStable(best.others, func(i, j int) bool {
		return absolute(best.others[i].frame-best.of) < absolute(best.others[j].frame-best.of)
	})
	const frames, around = 2048, timemap.Taps + 512
	edges := []planes.Extent{{From: -around, Frames: frames}, {From: g.shortP.frames - frames + around, Frames: frames}}
	ends, err := planes.Gather(g.short, g.channel, edges)
	if err != nil {
		return err
	}
	nearest := best.others[:min(mostPlaces, len(best.others))]
	unlike := make([]float64, len(nearest))
	chosen := 0
	for i, place := range nearest {
		here := *best
		here.frame, here.correlation = place.frame, place.correlation
		p := here.placement()
		p.Delay += place.fraction
		if unlike[i], err = g.unlike(p, edges, ends); err != nil {
			return err
		}
		if unlike[i] < unlike[chosen]-1e-6 {
			chosen = i
		}
	}
	best.frame, best.correlation = nearest[chosen].frame, nearest[chosen].correlation
	same := 0 // places that fit as well, to the error of their fractions
	for i := range nearest {
		if unlike[i] <= 2*unlike[chosen]+1e-3 {
			same++
		}
	}
	if same > 1 {
		best.places = same
		var spacings []float64
		sort.Slice(nearest, func(i, j int) bool { return nearest[i].frame < nearest[j].frame })
		for i := 1; i < len(nearest); i++ {
			spacings = append(spacings, float64(nearest[i].frame-nearest[i-1].frame)+nearest[i].fraction-nearest[i-1].fraction)
		}
		sort.Float64s(spacings)
		if middle := spacings[len(spacings)/2]; spacings[len(spacings)-1]-spacings[0] < 1 {
			best.period = middle
		}
	}
	return nil
}
