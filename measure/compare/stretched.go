package compare

import (
	"math"
	"math/cmplx"
	"sort"

	"github.com/boothbench/boothbench/dsp/vector"
	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/internal/spectra"
	"github.com/boothbench/boothbench/measure/internal/timemap"
)

const (
	// mostStretch is the largest difference of speed that is looked for beside each of
	// speeds: a pulled-down rate is 999 ppm off (1000/1001, SMPTE ST 12-1).
	mostStretch    = 1600e-6
	leastParts     = 8       // of a sound, 0.7 s at 48 kHz: shorter ones move too little to show a speed
	stretchedReach = 1 << 17 // frames by which B may be later or earlier, beside its speed
	partsOfPassage = 24      // of a passage that are looked for each by itself
	peaksOfPart    = 6
	besidePeak     = 8   // frames to the next peak
	offLine        = 2.0 // frames by which a peak may lie off a line
	leastOnLine    = 5   // parts
)

// speeds are those beside which a drift is looked for: film of 24 frames a second that runs
// at 25, and the reverse.
var speeds = []float64{1, 24.0 / 25, 25.0 / 24}

// A stretchedPeak is a place of a part of the passage.
type stretchedPeak struct {
	part        int
	centre      float64 // frames from the middle of the passage
	later       float64 // frames behind where the speed alone has it
	correlation float64
}

// findStretched looks for the loudest passage where another clock has stretched it, beside
// one of speeds: parts of it, which are too short to be stretched by much, are looked for
// each by itself; their places that lie on one line give the speed.
func (g *aligner) findStretched(speed float64) (candidate, error) {
	best := candidate{speed: 1, needed: 1}
	frames, part := min(probeFrames, g.shortP.frames), 4096 // stretched by 6 frames at most
	if g.rate < 32000 {
		part /= 2
	}
	if frames < leastParts*int64(part) {
		return best, nil
	}
	at, _ := g.shortP.loudestStretch(g.channel, frames, 0, g.shortP.frames)
	at = max(0, min(at, g.shortP.frames-frames))
	passage, err := planes.Gather(g.short, g.channel, []planes.Extent{{From: at, Frames: int(frames)}})
	if err != nil {
		return best, err
	}
	x := passage[0]
	if speed != 1 {
		x = timemap.Map{Speed: 1 / speed}.Resample(x, 0, int(float64(len(x))*speed))
	}
	home := int64(math.Round(float64(at) * speed))
	peaks, err := g.peaksOfParts(x, part, home)
	if err != nil {
		return best, err
	}
	line, found := steepest(peaks, float64(len(x)))
	if !found {
		return best, nil
	}
	best.of, best.speed = at, speed*line.Speed
	slowed := timemap.Map{Speed: 1 / best.speed}.Resample(passage[0], 0, int(float64(frames)*best.speed))
	first := home + int64(math.Round(line.Delay-(line.Speed-1)*float64(len(x))/2))
	const near = 64
	there, err := searchIn(g.long, g.longP.frames, g.channel, slowed, first-near, first+near, first, g.emphasis)
	best.frame, best.correlation, best.needed = there.frame, there.correlation, leastSimilarity(int64(len(slowed)), g.rate)
	return best, err
}

// peaksOfParts are the places of parts, of so many frames, of a passage within stretchedReach
// of its home in the long sound.
func (g *aligner) peaksOfParts(x []float64, frames int, home int64) (peaks []stretchedPeak, err error) {
	x = g.emphasis.of(x)
	x[0] = 0
	var begins []int
	energy := func(from int) float64 { return vector.SumOfSquares(x[from : from+frames]) }
	for from := 0; from+frames <= len(x); from += frames {
		begins = append(begins, from)
	}
	sort.Slice(begins, func(i, j int) bool { return energy(begins[i]) > energy(begins[j]) })
	begins = begins[:min(len(begins), partsOfPassage)]
	const length = 1 << 15
	fft := spectra.NewFFT(length)
	templates, energies := make([][]complex128, len(begins)), make([]float64, len(begins))
	for i, from := range begins {
		padded := make([]float64, length)
		copy(padded, x[from:from+frames])
		templates[i], energies[i] = fft.Coefficients(nil, padded), energy(from)
	}
	all := make([][]stretchedPeak, len(begins))
	step := length - frames
	lags, sums := make([]float64, length), make([]float64, length+1)
	bins := make([]complex128, length/2+1)
	for from := home - stretchedReach; from < home+stretchedReach+int64(len(x)); from += int64(step) {
		if from+length <= 0 || from >= g.longP.frames {
			continue
		}
		there, err := planes.Gather(g.long, g.channel, []planes.Extent{{From: from - 1, Frames: length + 1}})
		if err != nil {
			return nil, err
		}
		y := g.emphasis.of(there[0])[1:]
		for _, edge := range []int64{0, g.longP.frames} { // a file's begin and end are no jumps of the sound
			if k := edge - from; k >= 0 && k < length {
				y[k] = 0
			}
		}
		for n, v := range y {
			sums[n+1] = sums[n] + v*v
		}
		spectrum := fft.Coefficients(nil, y)
		for i, begin := range begins {
			later := float64(from - home - int64(begin))
			if energies[i] == 0 || later+float64(step) < -stretchedReach || later > stretchedReach {
				continue
			}
			for k := range bins {
				bins[k] = spectrum[k] * cmplx.Conj(templates[i][k])
			}
			lags = fft.Sequence(lags, bins)
			for k := 1; k <= step; k++ { // of runs of the length of a peak, the largest
				v := math.Abs(lags[k])
				if v < math.Abs(lags[k-1]) || v < math.Abs(lags[k+1]) {
					continue
				}
				r := lags[k] / length / math.Sqrt(energies[i]*max(sums[k+frames]-sums[k], 1e-3*energies[i]*minRatio(energies[i], sums[length]*float64(frames)/length), math.SmallestNonzeroFloat64))
				all[i] = withPeak(all[i], stretchedPeak{i, float64(begin) + float64(frames-len(x))/2, later + float64(k), r})
			}
		}
	}
	for _, of := range all {
		peaks = append(peaks, of...)
	}
	return peaks, nil
}

// withPeak keeps the largest peaks, of those that are neighbours the larger one.
func withPeak(kept []stretchedPeak, p stretchedPeak) []stretchedPeak {
	if len(kept) == peaksOfPart && math.Abs(p.correlation) <= math.Abs(kept[len(kept)-1].correlation) {
		return kept
	}
	for i, q := range kept {
		if math.Abs(q.later-p.later) <= besidePeak {
			if math.Abs(q.correlation) >= math.Abs(p.correlation) {
				return kept
			}
			kept = append(kept[:i], kept[i+1:]...)
			break
		}
	}
	kept = append(kept, p)
	sort.SliceStable(kept, func(i, j int) bool { return math.Abs(kept[i].correlation) > math.Abs(kept[j].correlation) })
	return kept[:min(len(kept), peaksOfPart)]
}

// steepest is the line through the peaks of most parts, by their correlations: of one sign,
// and no steeper than mostStretch.
func steepest(peaks []stretchedPeak, length float64) (line timemap.Map, found bool) {
	most := 0.0
	on := func(line timemap.Map, sign float64) (kept []windowDelay, sum float64) {
		part, largest := -1, 0.0
		for _, p := range peaks {
			if p.correlation*sign <= 0 || math.Abs(p.later-line.Delay-(line.Speed-1)*p.centre) > offLine {
				continue
			}
			w := windowDelay{p.centre, p.later, math.Abs(p.correlation)}
			switch {
			case p.part != part:
				part, largest = p.part, w.correlation
				kept, sum = append(kept, w), sum+largest
			case w.correlation > largest:
				kept[len(kept)-1], sum, largest = w, sum+w.correlation-largest, w.correlation
			}
		}
		return kept, sum
	}
	for i, p := range peaks {
		for _, q := range peaks[i+1:] {
			if q.part == p.part || p.correlation*q.correlation <= 0 || math.Abs(q.centre-p.centre) < length/8 {
				continue
			}
			slope := (q.later - p.later) / (q.centre - p.centre)
			if math.Abs(slope) > mostStretch {
				continue
			}
			through := timemap.Map{Delay: p.later - slope*p.centre, Speed: 1 + slope}
			if kept, sum := on(through, p.correlation); sum > most && len(kept) >= leastOnLine {
				most, found = sum, true
				line, _, _ = fitLine(kept)
			}
		}
	}
	return line, found
}
