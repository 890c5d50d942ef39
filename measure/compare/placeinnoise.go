package compare

import (
	"math"
	"math/cmplx"

	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/internal/spectra"
	"github.com/boothbench/boothbench/measure/internal/timemap"
)

const (
	noiseProbe = 1 << 16 // 1.4 s at 48 kHz: a clock that is 50 ppm off moves its ends by 1.6 frames
	// leastPeak is by how much the largest value of a correlation of phases must exceed
	// its root mean square. Of two unrelated sounds it is the largest of as many normal
	// numbers as there are places, 5.5 for ten minutes at 48 kHz; two takes with one hum
	// were found to reach 20, versions of one sound 50 and more (see the tests).
	leastPeak = 25
	// leastInNoise is the correlation from which on two sounds are one at a place that the
	// phases have found. Unrelated ones were found to reach 0.36, over 1 s, at the place
	// of their largest peak, versions of one sound 0.77 and more.
	leastInNoise = 0.5
)

// findInNoise looks for the short sound where noise, hum, clipping or a filter hides
// what the differences from frame to frame have in common: by the phases alone, so that
// each frequency counts as much (the phase transform of Knapp and Carter, IEEE Trans.
// ASSP-24(4) 1976). What it finds is accepted only if the two correlate there at the
// frequencies that they have in common.
func (g *aligner) findInNoise() (candidate, bool, error) {
	frames := int(min(noiseProbe, g.shortP.frames))
	third := g.shortP.frames / 3
	for _, r := range [][2]int64{{0, g.shortP.frames}, {0, third}, {third, 2 * third}, {2 * third, g.shortP.frames}} {
		if int64(frames) > r[1]-r[0] || frames < 2*emphasisSegment {
			break
		}
		at, _ := g.shortP.loudestStretch(g.channel, int64(frames), r[0], r[1])
		at = max(r[0], min(at, r[1]-int64(frames)))
		frame, peak, err := g.peakOfPhases(at, frames)
		if err != nil {
			return candidate{}, false, err
		}
		if peak < leastPeak {
			continue
		}
		found, ok, err := g.correlationThere(at, frame, int64(frames))
		if err != nil || ok {
			return found, ok, err
		}
	}
	return candidate{}, false, nil
}

// peakOfPhases is where the phases of a passage agree best with those of the long sound,
// and by how much that exceeds the root mean square of all places.
func (g *aligner) peakOfPhases(at int64, frames int) (frame int64, peak float64, err error) {
	length := 2
	for length < 2*frames {
		length *= 2
	}
	step := length - frames + 1
	fft := spectra.NewFFT(length)
	probe, err := planes.Gather(g.short, g.channel, []planes.Extent{{From: at, Frames: frames}})
	if err != nil {
		return 0, 0, err
	}
	// No edge counts: of an offset it would be a step that all sounds have.
	x := differences1(probe[0])
	x[0] = 0
	for n, w := range spectra.Hann(frames) {
		x[n] *= w
	}
	template := phases(fft.Coefficients(nil, append(x, make([]float64, length-frames)...)))
	var bins []complex128
	var lags []float64
	for from := int64(1 - frames); from < g.longP.frames; from += int64(step) {
		there, err := planes.Gather(g.long, g.channel, []planes.Extent{{From: from - 1, Frames: length + 1}})
		if err != nil {
			return 0, 0, err
		}
		y := differences1(there[0])[1:]
		for _, edge := range []int64{0, g.longP.frames} {
			if k := edge - from; k >= 0 && k < int64(length) {
				y[k] = 0
			}
		}
		bins = phases(fft.Coefficients(bins, y))
		for k := range bins {
			bins[k] *= cmplx.Conj(template[k])
		}
		lags = fft.Sequence(lags, bins)
		most, largest, sum := 0, 0.0, 0.0
		for k, v := range lags {
			sum += v * v
			if k < step && math.Abs(v) > largest {
				most, largest = k, math.Abs(v)
			}
		}
		if sum == 0 {
			continue
		}
		if over := largest / math.Sqrt(sum/float64(length)); over > peak {
			frame, peak = from+int64(most), over
		}
	}
	return frame, peak, nil
}

// phases are bins of magnitude 1.
func phases(bins []complex128) []complex128 {
	for k, v := range bins {
		if size := cmplx.Abs(v); size > 0 {
			bins[k] = v / complex(size, 0)
		}
	}
	return bins
}

// correlationThere is how well the passage from at on, and as much around it as both
// sounds have, correlates with the long sound from frame on, through the filter that
// suits the two, which is kept.
func (g *aligner) correlationThere(at, frame, frames int64) (candidate, bool, error) {
	delay := frame - at
	from := max(0, -delay, at-(probeFrames-frames)/2)
	to := min(g.shortP.frames, g.longP.frames-delay, from+probeFrames)
	if to-from < 2*emphasisSegment {
		return candidate{}, false, nil
	}
	n := int(to - from)
	short, err := planes.Gather(g.short, g.channel, []planes.Extent{{From: from, Frames: n}})
	if err != nil {
		return candidate{}, false, err
	}
	long, err := planes.Gather(g.long, g.channel, []planes.Extent{{From: from + delay, Frames: n}})
	if err != nil {
		return candidate{}, false, err
	}
	filter := emphasisFor(short[0], long[0])
	if filter == nil {
		return candidate{}, false, nil
	}
	x, y := filter.of(short[0]), filter.of(long[0])
	var xx, yy, xy float64
	for k := timemap.Taps; k < n-timemap.Taps; k++ {
		xx, yy, xy = xx+x[k]*x[k], yy+y[k]*y[k], xy+x[k]*y[k]
	}
	if xx == 0 || yy == 0 {
		return candidate{}, false, nil
	}
	found := candidate{frame: from + delay, of: from, speed: 1, correlation: xy / math.Sqrt(xx*yy), needed: leastInNoise}
	if !found.enough() {
		return found, false, nil
	}
	g.emphasis = *filter
	return found, true, nil
}
