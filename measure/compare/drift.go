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

// windowDelay is the delay that a window shows.
type windowDelay struct {
	centre      float64 // frame of A
	delay       float64
	correlation float64
}

// track reads the delay in windows throughout the sound, in frames of the short sound,
// relative to the delay of the place. It begins near a frame where the place is
// certain. With steps, a window that does not match there is searched for farther away,
// and the later windows start from its delay.
func (g aligner) track(p placement, sure int64, steps bool) ([]windowDelay, error) {
	from, to := p.overlap(g.shortP.frames, g.longP.frames)
	frames := int(min(windowFrames, to-from))
	for frames > 4096 && int64(frames)*12 > to-from { // enough for a line, and some on either side of a step
		frames /= 2
	}
	if frames < 64 {
		return nil, nil
	}
	windows := g.loudWindows(from, to, frames)
	found, err := g.readWindows(p, windows, sure, 0)
	if err != nil || !steps {
		return fitting(found), err
	}
	anchor := 0
	for i, w := range found {
		if w.correlation > found[anchor].correlation {
			anchor = i
		}
	}
	for _, direction := range []int{1, -1} {
		searches := 0
		for i := anchor + direction; i >= 0 && i < len(windows) && searches < mostWideSearches; i += direction {
			if found[i].fits() {
				continue
			}
			searches++
			offset, ok, err := g.lookWide(p, windows, i, direction)
			if err != nil {
				return nil, err
			}
			if !ok {
				continue
			}
			beyond := windows[i:]
			first := i
			if direction < 0 {
				beyond, first = windows[:i+1], 0
			}
			again, err := g.readWindows(p, beyond, windows[i].From, offset)
			if err != nil {
				return nil, err
			}
			copy(found[first:], again)
		}
	}
	return fitting(found), nil
}

// mostWideSearches is how often in each direction a window is looked for far away.
const mostWideSearches = 4

// lookWide looks for a window, and what lies beyond it, within five seconds, or as
// much more as the sounds differ in length.
func (g aligner) lookWide(p placement, windows []planes.Extent, i, direction int) (offset float64, found bool, err error) {
	w := windows[i]
	reach := int64(5*g.rate) + g.longP.frames - g.shortP.frames
	probe := planes.Extent{From: w.From, Frames: int(min(probeFrames/2, windows[len(windows)-1].From+int64(w.Frames)-w.From))}
	if direction < 0 {
		end := w.From + int64(w.Frames)
		begin := max(windows[0].From, end-probeFrames/2)
		probe = planes.Extent{From: begin, Frames: int(end - begin)}
	}
	sound, err := planes.Gather(g.short, g.channel, []planes.Extent{probe})
	if err != nil {
		return 0, false, err
	}
	x := sound[0]
	if p.Speed != 1 {
		x = timemap.Map{Speed: 1 / p.Speed}.Resample(x, 0, int(float64(len(x))*p.Speed))
	}
	expected := int64(math.Round(p.At(int(probe.From))))
	best, err := searchIn(g.long, g.longP.frames, g.channel, x, expected-reach, expected+reach, expected, g.emphasis)
	if err != nil || math.Abs(best.correlation) < leastSimilarity(int64(len(x)), g.rate) || len(best.others) > 1 || (best.correlation < 0) != p.inverted {
		return 0, false, err
	}
	return (float64(best.frame) - p.At(int(probe.From))) / p.Speed, true, nil
}

// readWindows reads the delay of every window, offset frames from where the place has
// it.
func (g aligner) readWindows(p placement, windows []planes.Extent, sure int64, offset float64) ([]windowDelay, error) {
	frames := windows[0].Frames
	centre := func(w planes.Extent) int64 { return w.From + int64(frames)/2 }
	order := make([]int, len(windows))
	for i := range order {
		order[i] = i
	}
	sort.Slice(order, func(i, j int) bool {
		return absolute(centre(windows[order[i]])-sure) < absolute(centre(windows[order[j]])-sure)
	})
	p.Delay += p.Speed * offset
	margins := make([]int, len(windows))
	there := make([]planes.Extent, len(windows))
	for i, w := range windows {
		// A clock that differs by more than the guess would not have been found.
		margins[i] = 64 + int(1.5*roughPPM*1e-6*float64(absolute(centre(w)-sure)))
		edge := spanned(margins[i], p.Speed) + timemap.Taps
		there[i] = planes.Extent{From: int64(math.Floor(p.At(int(w.From)))) - int64(edge), Frames: spanned(frames, p.Speed) + 2*edge}
	}
	here, err := planes.Gather(g.short, g.channel, windows)
	if err != nil {
		return nil, err
	}
	long, err := planes.Gather(g.long, g.channel, there)
	if err != nil {
		return nil, err
	}
	all := make([]windowDelay, len(windows))
	var read []windowDelay
	line := timemap.Map{Speed: 1} // of what the place does not have yet
	for _, i := range order {
		w := windows[i]
		// The long sound on the short one's clock, from a margin ahead of the window.
		first := p.At(int(w.From)) - p.Speed*float64(margins[i]) - float64(there[i].From)
		count := frames + 2*margins[i]
		sound := long[i]
		if p.Speed == 1 && first == math.Trunc(first) {
			sound = sound[int(first) : int(first)+count]
		} else {
			sound = timemap.Map{Delay: first, Speed: p.Speed}.Resample(sound, 0, count)
		}
		more := line.At(int(centre(w))) - float64(centre(w))
		d, correlation := delayNear(here[i], sound, more+float64(margins[i]), g.emphasis)
		if (correlation < 0) != p.inverted {
			correlation = 0
		}
		all[i] = windowDelay{float64(centre(w)), d - float64(margins[i]) + offset, math.Abs(correlation)}
		if !all[i].fits() {
			continue
		}
		relative := all[i]
		relative.delay -= offset
		if read = append(read, relative); len(read) > 3 {
			line, _, _ = fitLine(read)
		}
	}
	return all, nil
}

func (w windowDelay) fits() bool { return w.correlation >= leastWindow }

func fitting(all []windowDelay) (kept []windowDelay) {
	for _, w := range all {
		if w.fits() {
			kept = append(kept, w)
		}
	}
	return kept
}

// loudWindows are a window from each of equal slices, where it is loudest, unless
// that is quiet.
func (g aligner) loudWindows(from, to int64, frames int) []planes.Extent {
	slices := min(mostWindows, max(1, (to-from)/int64(frames)))
	var windows []planes.Extent
	var loudness []float64
	most := 0.0
	for i := range slices {
		lo, hi := from+i*(to-from)/slices, from+(i+1)*(to-from)/slices
		at, energy := g.shortP.loudestStretch(g.channel, int64(frames), lo, hi)
		windows = append(windows, planes.Extent{From: max(from, min(at, to-int64(frames))), Frames: frames})
		loudness = append(loudness, energy)
		most = max(most, energy)
	}
	var loud []planes.Extent
	for i, w := range windows {
		if loudness[i] >= most*1e-4 { // 40 dB under the loudest
			loud = append(loud, w)
		}
	}
	return loud
}

// settle returns the place corrected by what the windows show: their remaining
// delays, in frames of the short sound.
func (p placement) settle(read []windowDelay) placement {
	p.windows = len(read)
	p.slope = math.Inf(1)
	if len(read) == 0 {
		return p
	}
	line, kept, spread := fitLine(read)
	p.windows, p.spread = len(kept), spread
	p.slope = slopeWithin(kept, spread)
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
		p.slope += math.Abs(p.Speed - 1)
		p.Speed = 1
	}
	if whole := math.Round(p.Delay); p.Speed == 1 && math.Abs(p.Delay-whole) < sameDelay {
		p.dropped, p.Delay = math.Abs(p.Delay-whole), whole
	}
	return p
}

// partsOfFew is into how many parts a take is cut whose delay fewer than leastScattered windows have read.
const partsOfFew = 8

// scatter is a placement with how far parts of the take scatter about it, each within a frame:
// of few windows that is not known from themselves.
func (g aligner) scatter(p placement) (placement, error) {
	from, to := p.overlap(g.shortP.frames, g.longP.frames)
	frames := int(min(windowFrames, to-from)) / partsOfFew
	if frames < leastFrames {
		return p, nil
	}
	windows := g.loudWindows(from, to, frames)
	short, err := planes.Gather(g.short, g.channel, windows)
	if err != nil {
		return p, err
	}
	var off []float64
	err = g.eachWindow(p.Map, windows, short, func(x, y []float64) {
		length := 2
		for length < 2*len(x) {
			length *= 2
		}
		fft, window := spectra.NewFFT(length), spectra.Hann(len(x))
		padded := func(x []float64) []float64 {
			out := make([]float64, length)
			vector.Multiply(out[:len(x)], x, window)
			return out
		}
		bins, template := fft.Coefficients(nil, padded(y)), fft.Coefficients(nil, padded(x))
		for k := range bins {
			bins[k] *= cmplx.Conj(template[k])
		}
		at, _ := crestNear(bins, length)
		off = append(off, at)
	})
	if p.windows = len(off); p.windows > 0 {
		p.spread = deviationOf(off, 0)
	}
	return p, err
}

// slopeWithin is by how much the slope of a line may be off: its standard error, by the
// standard deviation of the windows from the line, times studentT (Draper and Smith, "Applied
// Regression Analysis", 1.4), and what delays within sameDelay leave open; +Inf of fewer than
// three.
func slopeWithin(read []windowDelay, spread float64) float64 {
	n := float64(len(read))
	if n < 3 {
		return math.Inf(1)
	}
	mean, squares := 0.0, 0.0
	for _, w := range read {
		mean += w.centre / n
	}
	for _, w := range read {
		squares += (w.centre - mean) * (w.centre - mean)
	}
	return max(studentT(len(read)-2)*spread, sameDelay) / math.Sqrt(squares)
}

// studentT is how many standard errors hold 95 % of cases, where the error is known from so
// many degrees of freedom: to 0.01 from 6 on (Abramowitz and Stegun, 26.7.5).
func studentT(freedom int) float64 {
	if few := []float64{12.71, 4.30, 3.18, 2.78, 2.57}; freedom <= len(few) {
		return few[max(0, freedom-1)]
	}
	return 1.96 + 2.37/float64(freedom) + 2.8/float64(freedom*freedom)
}

// fitLine fits delays over frames, twice: the second time without what lies far
// from the first. The spread is the standard deviation of what is kept from the line.
func fitLine(read []windowDelay) (line timemap.Map, kept []windowDelay, spread float64) {
	kept = read
	for range 2 {
		var n, sx, sy, sxx, sxy float64
		for _, w := range kept {
			weight := w.correlation * w.correlation
			n, sx, sy = n+weight, sx+weight*w.centre, sy+weight*w.delay
			sxx, sxy = sxx+weight*w.centre*w.centre, sxy+weight*w.centre*w.delay
		}
		line = timemap.Map{Delay: sy / n, Speed: 1}
		fitted := 1
		if det := n*sxx - sx*sx; len(kept) > 2 && det > 1e-9*n*sxx {
			line.Speed = 1 + (n*sxy-sx*sy)/det
			line.Delay = (sy - (line.Speed-1)*sx) / n
			fitted = 2
		}
		off := make([]float64, len(kept))
		for i, w := range kept {
			off[i] = math.Abs(w.delay - line.Delay - (line.Speed-1)*w.centre)
		}
		spread = deviationOf(off, fitted)
		most := max(4*typical(off), sameDelay/2)
		var near []windowDelay
		for i, w := range kept {
			if off[i] <= most {
				near = append(near, w)
			}
		}
		if len(near) < 3 || len(near) == len(kept) {
			break
		}
		kept = near
	}
	return line, kept, spread
}

// typical is a normal deviation from the median of distances, which few of them do not move
// (Hampel 1974).
func typical(off []float64) float64 {
	sorted := append([]float64(nil), off...)
	sort.Float64s(sorted)
	return 1.48 * sorted[len(sorted)/2]
}

// deviationOf is the standard deviation of distances from what so many parameters were fitted to.
func deviationOf(off []float64, fitted int) float64 {
	return math.Sqrt(vector.SumOfSquares(off) / float64(max(1, len(off)-fitted)))
}

// crestNear is the crest within a frame of 0, from the best of nine places: a broad or
// narrow peak sends Newton astray.
func crestNear(spectrum []complex128, length int) (at, value float64) {
	wave := spectra.NewNearWave(spectrum, length)
	best := 0.0
	for lag := -1.0; lag <= 1; lag += 0.25 {
		if sum := wave.At(lag); math.Abs(sum) > math.Abs(value) {
			best, value = lag, sum
		}
	}
	if found, v := wave.Crest(best); math.Abs(found-best) <= 0.5 {
		return found, v
	}
	return best, value
}

// delayNear is by how many frames a window of A lies behind the beginning of a
// longer one of B, next to an expected number, between the frames.
func delayNear(a, b []float64, expected float64, e emphasis) (delay, correlation float64) {
	length := 2
	for length < len(b) { // of the lags that are read none wraps around
		length *= 2
	}
	window := spectra.Hann(len(a))
	x := e.of(a)
	vector.Multiply(x, x, window)
	fft := spectra.NewFFT(length)
	template := fft.Coefficients(nil, append(x, make([]float64, length-len(x))...))
	y := e.of(b)
	y[0] = 0
	spectrum := fft.Coefficients(nil, append(y, make([]float64, length-len(y))...))
	for k := range spectrum {
		spectrum[k] *= cmplx.Conj(template[k])
	}
	lags := fft.Sequence(nil, spectrum)
	best, most, energy := 0, -1.0, vector.SumOfSquares(y[:len(a)])
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
	segment := make([]float64, length)
	vector.Multiply(segment[:len(a)], y[best:best+len(a)], window)
	bins := fft.Coefficients(spectrum, segment)
	for k := range bins {
		bins[k] *= cmplx.Conj(template[k])
	}
	at, value := crestNear(bins, length)
	value *= 2 / float64(length) // half a spectrum
	norm := math.Sqrt(vector.SumOfSquares(x) * vector.SumOfSquares(segment))
	if norm == 0 {
		return expected, 0
	}
	return float64(best) + at, value / norm
}
