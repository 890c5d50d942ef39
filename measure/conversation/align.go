package conversation

import (
	"cmp"
	"math"
	"math/cmplx"
	"slices"

	"github.com/boothbench/boothbench/dsp/vector"
	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/internal/spectra"
	"github.com/boothbench/boothbench/measure/internal/timemap"
)

// measurement is the state of the measurement of a conversation.
type measurement struct {
	rate  int
	mics  []*levels
	ways  [][]way   // by voice and microphone
	alone [][]int64 // by voice: starts of the long windows in which it speaks alone
	clear [][]int64 // by voice: starts of those in which its microphone has no other voice
	brief [][]int64 // by voice: starts of the short windows in which it speaks alone
	pause []int64
	step  func() // called after each microphone, search and path
}

// way is the path of a voice into another microphone.
type way struct {
	timemap.Map // from frames of its own microphone to frames of the other one
	found       bool
	height      float64 // the mean height of its peaks: the higher, the more certain
	reason      string

	bleed          float64 // ratio of powers
	delay          float64 // frames: first at centre, after joinDrifts at frame 0 of its own microphone
	centre         float64 // of the windows, frames
	drift          float64 // frames per frame
	deviation      float64 // standard error of Speed
	driftDeviation float64 // standard error of drift
	bleedDeviation float64 // relative standard error of bleed
	delayDeviation float64 // standard error of delay
	inverted       bool
	measured       bool
	absent         bool    // no bleed was found
	atMost         float64 // then: upper bound of the bleed, as a ratio of powers
}

const (
	nearMs, farMs = 50, 5000 // range of the search for delays: sound travels 17 m in the first
	agreeMs       = 0.25     // delays within this distance count as the same: 9 cm, about as far as a head moves
	leastClear    = 9.0      // least ratio of the peak of the summed correlation to its root mean square
	// Before the sum, each window's correlation is clipped at this multiple of its root mean
	// square. Two vowels of the same pitch reach 30, and one such window would decide the
	// result.
	mostOfOne        = 6.0
	whiteningPower   = 0.8
	leastLoudestPart = 0.03 // of the 95th percentile: 15 dB below it
)

// reaches are the ranges of the search for delays, in order, and the number of windows for
// each. The second covers bleed from the headphones of a remote speaker: a delay of more than
// 400 ms is not acceptable for a call (ITU-T G.114, from memory).
var reaches = []struct{ ms, windows int }{{nearMs, 24}, {500, 48}, {farMs, 24}}

// align finds the delay of each voice in each other microphone.
func (m *measurement) align() error {
	m.ways = make([][]way, len(m.mics))
	for i := range m.mics {
		m.ways[i] = make([]way, len(m.mics))
		for j := range m.mics {
			m.ways[i][j].Map = timemap.Map{Speed: 1}
		}
	}
	for i := range m.mics {
		for j := range m.mics {
			if i == j {
				continue
			}
			for _, reach := range reaches {
				if err := m.search(i, j, m.rate*reach.ms/1000, m.loudWindows(i, reach.windows)); err != nil {
					return err
				}
				if m.ways[i][j].found {
					break
				}
			}
			m.step()
		}
	}
	return m.agree()
}

// agree connects the microphones by the most certain paths. It searches again where another
// path contradicts them or was not found: the first search may have found another voice, or a
// phrase that was spoken twice.
func (m *measurement) agree() error {
	type edge struct {
		i, j int
		sure float64
	}
	var edges []edge
	for i := range m.mics {
		for j := range m.mics {
			if m.ways[i][j].found {
				edges = append(edges, edge{i, j, m.ways[i][j].height})
			}
		}
	}
	slices.SortStableFunc(edges, func(a, b edge) int { return cmp.Compare(b.sure, a.sure) })
	places := make([][]*timemap.Map, len(m.mics)) // maps from frames of one microphone to frames of another
	for i := range places {
		places[i] = make([]*timemap.Map, len(m.mics))
		places[i][i] = &timemap.Map{Speed: 1}
	}
	for _, e := range edges {
		if places[e.i][e.j] != nil {
			continue
		}
		there := m.ways[e.i][e.j].Map
		back := timemap.Map{Delay: -there.Delay / there.Speed, Speed: 1 / there.Speed}
		from, to := slices.Clone(places[e.i]), slices.Clone(places[e.j])
		for a := range m.mics {
			for b := range m.mics {
				if from[a] != nil && to[b] != nil {
					places[a][b] = then(then(places[a][e.i], &there), places[e.j][b])
					places[b][a] = then(then(places[b][e.j], &back), places[e.i][a])
				}
			}
		}
	}
	for i := range m.mics {
		for j := range m.mics {
			w, place := &m.ways[i][j], places[i][j]
			if i == j || place == nil {
				continue
			}
			middle := int(m.mics[i].frames / 2)
			if w.found && math.Abs(w.At(middle)-place.At(middle)) <= 2*nearMs*float64(m.rate)/1000 {
				continue
			}
			w.Map = *place
			if err := m.search(i, j, m.rate*nearMs/1000, m.loudWindows(i, reaches[0].windows)); err != nil {
				return err
			}
			w.found = true // near enough to follow the voice
		}
	}
	return nil
}

// then returns the map that applies first, and second after it.
func then(first, second *timemap.Map) *timemap.Map {
	return &timemap.Map{Delay: second.Delay + second.Speed*first.Delay, Speed: second.Speed * first.Speed}
}

// loudWindows divides a recording into equal parts and takes the loudest place of each, two
// windows long. It leaves out quiet parts.
func (m *measurement) loudWindows(mic, count int) (windows []planes.Extent) {
	l, frames := m.mics[mic], int64(2*windowFrames(m.rate))
	parts := min(int64(count), l.frames/frames)
	for s := range parts {
		from, to := s*l.frames/parts, (s+1)*l.frames/parts-frames
		best, most := from, 0.0
		for at := from; at <= to; at += int64(m.rate / 20) {
			if p := l.power(float64(at), int(frames)); p > most {
				best, most = at, p
			}
		}
		if most >= leastLoudestPart*l.top && most > 0 {
			windows = append(windows, planes.Extent{From: best, Frames: int(frames)})
		}
	}
	return windows
}

// peak is the correlation peak of a voice's window in another microphone.
type peak struct {
	centre, delay float64 // frames; delay is relative to the path's map, and NaN in digital silence
	height        float64 // relative to the root mean square of the correlation
	deviation     float64 // standard error of the delay
}

// search searches for a voice in another microphone, around the delay of its path's map.
func (m *measurement) search(i, j, reach int, windows []planes.Extent) error {
	w := &m.ways[i][j]
	if len(windows) == 0 {
		return nil
	}
	peaks, sum, err := m.correlate(w.Map, i, j, reach, windows)
	if err != nil {
		return err
	}
	at, height := clearest(sum[:2*reach+1])
	near := agreeMs * float64(m.rate) / 1000
	// Among delays of up to 5 s, five that agree to 0.25 ms are no coincidence, however many
	// others do not agree: in those windows another person may have spoken.
	line, count := bestLine(peaks, near)
	if count > len(peaks)/2 && count >= 4 || count >= 5 && reach > m.rate {
		w.found, w.height = true, meanHeight(peaks, line.Delay, line.Speed-1, near)
		w.Delay += w.Speed * line.Delay
		w.Speed *= line.Speed
	} else if height >= leastClear {
		w.found, w.height = true, meanHeight(peaks, float64(at-reach), 0, near)
		w.Delay += float64(at - reach)
	}
	return nil
}

// meanHeight returns the mean height of the peaks that lie near a line. Other peaks count as 0.
func meanHeight(peaks []peak, delay, slope, near float64) (sum float64) {
	for _, p := range peaks {
		if math.Abs(p.delay-delay-slope*p.centre) <= near {
			sum += p.height / float64(len(peaks))
		}
	}
	return sum
}

// correlate correlates windows of a microphone with another microphone, around their places by
// a map. It uses partly whitened spectra: the cross-power spectrum is whitened by a power below
// 1, after Knapp and Carter, "The generalized correlation method for estimation of time delay",
// 1976. Index reach of the sum is a further delay of 0.
func (m *measurement) correlate(place timemap.Map, i, j, reach int, windows []planes.Extent) (peaks []peak, sum []float64, err error) {
	there := make([]planes.Extent, len(windows))
	for k, w := range windows {
		there[k] = planes.Extent{From: int64(math.Round(place.At(int(w.From)))) - int64(reach), Frames: w.Frames + 2*reach}
	}
	x, err := planes.Gather(m.mics[i].Open, m.mics[i].Channel, windows)
	if err != nil {
		return nil, nil, err
	}
	y, err := planes.Gather(m.mics[j].Open, m.mics[j].Channel, there)
	if err != nil {
		return nil, nil, err
	}
	length := 2
	for length < windows[0].Frames+2*reach {
		length *= 2
	}
	fft := spectra.NewFFT(length)
	low := 80 * length / m.rate
	window := spectra.Hann(windows[0].Frames)
	padded, sum := make([]float64, length), make([]float64, length)
	var bins, own []complex128
	var lags []float64
	for k := range windows {
		clear(padded)
		for n, v := range x[k] {
			padded[n] = v * window[n]
		}
		own = fft.Coefficients(own, padded)
		clear(padded)
		m.evenly(padded, y[k], j, there[k].From)
		bins = fft.Coefficients(bins, padded)
		for f := range bins {
			bins[f] *= cmplx.Conj(own[f])
			power := real(bins[f])*real(bins[f]) + imag(bins[f])*imag(bins[f])
			if f < low || power == 0 {
				bins[f] = 0
				continue
			}
			bins[f] *= complex(math.Exp(-whiteningPower/2*math.Log(power)), 0)
		}
		lags = fft.Sequence(lags, bins)
		norm := math.Sqrt(vector.SumOfSquares(lags[:2*reach+1])/float64(2*reach+1)) + 1e-300
		for n := range sum {
			sum[n] += max(-mostOfOne, min(mostOfOne, lags[n]/norm))
		}
		p := peak{centre: float64(windows[k].From) + float64(windows[k].Frames)/2, delay: math.NaN()}
		if at, height := clearest(lags[:2*reach+1]); height > 0 {
			exact := place.At(int(windows[k].From))
			p.delay, p.height = float64(at-reach)+math.Round(exact)-exact, height
		}
		peaks = append(peaks, p)
	}
	return peaks, sum, nil
}

// evenly copies a part of a microphone's sound and scales every 20 ms to one level, where they
// exceed the floor. A voice that bleeds in then becomes as loud as the microphone's own voice,
// which would otherwise mask it.
func (m *measurement) evenly(to, x []float64, mic int, from int64) {
	l, hop := m.mics[mic], m.rate/hopsPerSecond
	for n := 0; n < len(x); n += hop {
		end := min(len(x), n+hop)
		gain := 1 / math.Sqrt(l.power(float64(from)+float64(n), hop)+l.floor+1e-12)
		for k := n; k < end; k++ {
			to[k] = gain * x[k]
		}
	}
}

// clearest returns the index of the largest magnitude of a correlation, and its ratio to the
// root mean square.
func clearest(lags []float64) (at int, height float64) {
	for n, v := range lags {
		if math.Abs(v) > math.Abs(lags[at]) {
			at = n
		}
	}
	return at, math.Abs(lags[at]) / (math.Sqrt(vector.SumOfSquares(lags)/float64(len(lags))) + 1e-300)
}

// bestLine returns the line that is near the most peaks, and the number of these peaks. Its
// drift is at most timemap.MostDriftPPM. It tries lines through every pair of peaks, and level
// ones (Fischler and Bolles, "Random sample consensus", 1981; here all pairs).
func bestLine(peaks []peak, near float64) (best timemap.Map, most int) {
	least := math.Inf(1)
	try := func(line timemap.Map) {
		count, off := 0, 0.0
		for _, p := range peaks {
			if d := math.Abs(p.delay - line.Delay - (line.Speed-1)*p.centre); d <= near {
				count++
				off += d
			}
		}
		if count > most || count == most && off < least {
			best, most, least = line, count, off
		}
	}
	for a, p := range peaks {
		try(timemap.Map{Delay: p.delay, Speed: 1})
		for _, q := range peaks[:a] {
			if slope := (p.delay - q.delay) / (p.centre - q.centre); p.centre != q.centre && math.Abs(slope) <= timemap.MostDriftPPM*1e-6 {
				try(timemap.Map{Delay: p.delay - slope*p.centre, Speed: 1 + slope})
			}
		}
	}
	return best, most
}
