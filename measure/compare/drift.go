package compare

import (
	"math"
	"math/cmplx"
	"sort"

	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/internal/spectra"
	"github.com/boothbench/boothbench/measure/internal/timemap"
)

// windowDelay is the delay that a window shows.
type windowDelay struct {
	centre      float64 // frame of A
	delay       float64
	correlation float64
}

// follow reads the delay in windows all over the overlap and fits a line: what
// rises or falls is the drift of a clock. It begins at a frame where the place is
// sure.
func (g aligner) follow(p placement, sure int64) (placement, error) {
	from, to := p.overlap(g.shortP.frames, g.longP.frames)
	frames := int(min(windowFrames, to-from))
	if frames < 64 {
		return p, nil
	}
	windows := g.loudWindows(from, to, frames)
	centre := func(w extent) int64 { return w.from + int64(frames)/2 }
	sort.Slice(windows, func(i, j int) bool { return absolute(centre(windows[i])-sure) < absolute(centre(windows[j])-sure) })
	margins := make([]int, len(windows))
	there := make([]extent, len(windows))
	for i, w := range windows {
		// A clock that differs by more than the guess would not have been found.
		margins[i] = 64 + int(1.5*guessPPM*1e-6*float64(absolute(centre(w)-sure)))
		edge := margins[i] + timemap.Taps
		there[i] = extent{int64(math.Floor(p.At(int(w.from)))) - int64(edge), frames + 2*edge + frames/500}
	}
	here, err := gather(g.short, g.channel, windows)
	if err != nil {
		return p, err
	}
	long, err := gather(g.long, g.channel, there)
	if err != nil {
		return p, err
	}
	var read []windowDelay
	line := timemap.Map{Speed: 1} // of what the place does not have yet
	for i, w := range windows {
		// The long sound on the short one's clock, from a margin ahead of the window.
		first := p.At(int(w.from)) - p.Speed*float64(margins[i]) - float64(there[i].from)
		count := frames + 2*margins[i]
		sound := long[i]
		if p.Speed == 1 && first == math.Trunc(first) {
			sound = sound[int(first) : int(first)+count]
		} else {
			sound = timemap.Map{Delay: first, Speed: p.Speed}.Resample(sound, 0, count)
		}
		more := line.At(int(centre(w))) - float64(centre(w))
		d, correlation := delayNear(here[i], sound, more+float64(margins[i]))
		if math.Abs(correlation) < leastWindow || (correlation < 0) != p.inverted {
			continue
		}
		read = append(read, windowDelay{float64(centre(w)), d - float64(margins[i]), math.Abs(correlation)})
		if len(read) > 3 {
			line, _ = fitLine(read)
		}
	}
	return p.settle(read), nil
}

// loudWindows are a window from each of equal slices, where it is loudest, unless
// that is quiet.
func (g aligner) loudWindows(from, to int64, frames int) []extent {
	slices := min(mostWindows, max(1, (to-from)/int64(frames)))
	var windows []extent
	var loudness []float64
	most := 0.0
	for i := range slices {
		lo, hi := from+i*(to-from)/slices, from+(i+1)*(to-from)/slices
		at, energy := g.shortP.loudestStretch(g.channel, int64(frames), lo, hi)
		windows = append(windows, extent{max(from, min(at, to-int64(frames))), frames})
		loudness = append(loudness, energy)
		most = max(most, energy)
	}
	var loud []extent
	for i, w := range windows {
		if loudness[i] >= most*1e-4 { // 40 dB under the loudest
			loud = append(loud, w)
		}
	}
	return loud
}

// settle is the place with what the windows show of it: delays that are left, in
// frames of the short sound.
func (p placement) settle(read []windowDelay) placement {
	p.windows = len(read)
	if len(read) == 0 {
		return p
	}
	line, spread := fitLine(read)
	p.spread = spread
	// The place of a frame that lies a delay later on the short sound's clock.
	p.Delay += p.Speed * line.Delay
	p.Speed *= line.Speed
	first, last := read[0].centre, read[0].centre
	for _, w := range read {
		first, last = min(first, w.centre), max(last, w.centre)
	}
	// A line that rises by no more than the windows scatter is level.
	if math.Abs(p.Speed-1)*(last-first) < max(sameDelay, 2*spread) {
		p.Delay += (p.Speed - 1) * (first + last) / 2
		p.Speed = 1
	}
	if whole := math.Round(p.Delay); p.Speed == 1 && math.Abs(p.Delay-whole) < sameDelay {
		p.Delay = whole
	}
	return p
}

// fitLine fits delays over frames, twice: the second time without what lies far
// from the first.
func fitLine(read []windowDelay) (line timemap.Map, spread float64) {
	kept := read
	for range 2 {
		var n, sx, sy, sxx, sxy float64
		for _, w := range kept {
			weight := w.correlation * w.correlation
			n, sx, sy = n+weight, sx+weight*w.centre, sy+weight*w.delay
			sxx, sxy = sxx+weight*w.centre*w.centre, sxy+weight*w.centre*w.delay
		}
		line = timemap.Map{Delay: sy / n, Speed: 1}
		if det := n*sxx - sx*sx; len(kept) > 2 && det > 1e-9*n*sxx {
			line.Speed = 1 + (n*sxy-sx*sy)/det
			line.Delay = (sy - (line.Speed-1)*sx) / n
		}
		off := make([]float64, len(kept))
		for i, w := range kept {
			off[i] = math.Abs(w.delay - line.Delay - (line.Speed-1)*w.centre)
		}
		sorted := append([]float64(nil), off...)
		sort.Float64s(sorted)
		spread = 1.48 * sorted[len(sorted)/2] // a normal deviation from the median (Hampel 1974)
		var near []windowDelay
		for i, w := range kept {
			if off[i] <= max(4*spread, sameDelay/2) {
				near = append(near, w)
			}
		}
		if len(near) < 3 || len(near) == len(kept) {
			break
		}
		kept = near
	}
	return line, spread
}

// crestNear is crest within a frame of 0, from the best of nine places: a broad or
// narrow peak sends Newton astray.
func crestNear(spectrum []complex128, length int) (at, value float64) {
	best := 0.0
	for lag := -1.0; lag <= 1; lag += 0.25 {
		sum := 0.0
		turn, step := complex(1, 0), cmplx.Rect(1, 2*math.Pi*lag/float64(length))
		for _, v := range spectrum {
			sum += real(v)*real(turn) - imag(v)*imag(turn)
			turn *= step
		}
		if math.Abs(sum) > math.Abs(value) {
			best, value = lag, sum
		}
	}
	if found, v := spectra.Crest(spectrum, length, best); math.Abs(found-best) <= 0.5 {
		return found, v
	}
	return best, value
}

// delayNear is by how many frames a window of A lies behind the beginning of a
// longer one of B, next to an expected number, between the frames.
func delayNear(a, b []float64, expected float64) (delay, correlation float64) {
	length := 2
	for length < len(a)+len(b) {
		length *= 2
	}
	window := spectra.Hann(len(a))
	x := differences1(a)
	for n, w := range window {
		x[n] *= w
	}
	fft := spectra.NewFFT(length)
	template := fft.Coefficients(nil, append(x, make([]float64, length-len(x))...))
	y := differences1(b)
	y[0] = 0
	spectrum := fft.Coefficients(nil, append(y, make([]float64, length-len(y))...))
	for k := range spectrum {
		spectrum[k] *= cmplx.Conj(template[k])
	}
	lags := fft.Sequence(nil, spectrum)
	best, most, energy := 0, -1.0, planes.SumOfSquares(y[:len(a)])
	for k := 0; k <= len(b)-len(a); k++ {
		// Against the energy that lies there, or louder neighbours win. Nearer counts
		// a little more: a tone is as good every period.
		weight := max(0.9, 1-1e-3*math.Abs(float64(k)-expected)/64)
		if r := math.Abs(lags[k]) / math.Sqrt(energy+1e-30) * weight; r > most {
			best, most = k, r
		}
		if k+len(a) < len(y) {
			energy = max(0, energy+y[k+len(a)]*y[k+len(a)]-y[k]*y[k])
		}
	}
	// Between the frames, with both in the same window.
	segment := append([]float64(nil), y[best:best+len(a)]...)
	for n, w := range window {
		segment[n] *= w
	}
	short := spectra.NewFFT(len(a))
	bins, own := short.Coefficients(nil, segment), short.Coefficients(nil, x[:len(a)])
	for k := range bins {
		bins[k] *= cmplx.Conj(own[k])
	}
	at, value := crestNear(bins, len(a))
	value *= 2 / float64(len(a)) // half a spectrum
	norm := math.Sqrt(planes.SumOfSquares(x) * planes.SumOfSquares(segment))
	if norm == 0 {
		return expected, 0
	}
	return float64(best) + at, value / norm
}
