package instrument

import (
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/internal/timemap"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// Limits of what counts.
const (
	leastMarkOverNoiseDB = 20  // for all but the response's last percent; common practice, no source
	mostEchoDB           = -20 // a comb of 0.8 dB and more; common practice, no source
	leastEchoMs          = 1.5 // nearer, the marks do not part
)

// crystals keep to 100 (common practice, no source); a pulled-down rate is 999 off

// placedMarks is a stimulus as one channel has it.
type placedMarks struct {
	timemap.Map
	gain   float64 // of the marks, with its sign
	change float64 // gain of the last mark over that of the first, in dB
	noise  float64 // rms before the marks
	silent bool    // there is a silence to read it from
	mark   float64 // rms of the marks
	spread float64 // standard deviation of the delay in frames

	// gainSpread is the standard deviation of the gain as a share of it, if all of the
	// noise lies in the band of the marks.
	gainSpread float64
	opposed    float64 // of the marks, as in place

	// dispersion is three times by how many frames parts of the band come earlier or later than the
	// whole, beyond what noise does: so much of it may be no delay (a test on random filters
	// holds it). And unlike is by how many frames the two marks differ in that, as
	// those of a path whose filters or gain move.
	dispersion, unlike float64
}

// findMarks finds the stimulus in a channel.
func findMarks(played stimulus.Marked, parts *stimulus.Parts, channel int, x []float64, rate, begin int) (placedMarks, *VoidError) {
	l, channels := parts.Layout, parts.Channels()
	up, down := stimulus.MarkChirp(rate, true), stimulus.MarkChirp(rate, false)
	fs := float64(rate)
	start, end := searchFor(x, up.Wave(fs)), searchFor(x, down.Wave(fs))
	switch {
	case !start.found() && !end.found():
		return placedMarks{}, noMarks(x, rate)
	case !start.found():
		return placedMarks{}, &VoidError{CutShort, -1, "the mark before the signal is missing; record from before the stimulus until after its end"}
	case !end.found():
		return placedMarks{}, &VoidError{CutShort, -1, "the mark behind the signal is missing; record from before the stimulus until after its end"}
	}

	if end.frame <= start.frame {
		return placedMarks{}, &VoidError{CutShort, -1, "the mark behind the signal comes before the one ahead of it; record one playing, from its start to its end"}
	}

	// Templates are made anew for the recorder's clock: a mark that runs at
	// another speed than its template seems to lie elsewhere.
	h := placedMarks{Map: timemap.Map{Speed: 1}}
	var first, last place
	for range 10 { // each time the rest shrinks, the more the longer the signal
		before := h.Speed
		first = placeChirp(x, up, fs*h.Speed, start.frame, 0)
		last = placeChirp(x, down, fs*h.Speed, end.frame, first.gain)
		h.Speed = (last.frame - first.frame) / float64(l.EndMark-l.StartMark)
		if math.Abs(h.Speed-1) > 10*timemap.MostDriftPPM*1e-6 {
			break // another length: no clock
		}
		if math.Abs(h.Speed-before) < 1e-9 {
			break
		}
	}
	h.Delay = first.frame - h.Speed*float64(l.StartMark)
	hash, good := readCode(x, rate, timemap.Map{Delay: first.frame - float64(l.StartMark), Speed: 1}, l)
	if !good {
		hash, good = readCode(x, rate, h.Map, l)
	}
	ppm := (h.Speed - 1) * 1e6
	own := min(channel, channels-1)
	switch with := channelWith(played, hash, channels); {
	case good && with >= 0 && with < own: // which came as itself
		return placedMarks{}, &VoidError{Swapped, -1, fmt.Sprintf("it holds channel %d of the stimulus, as channel %[1]d does: one signal is recorded twice; record each channel by itself", with+1)}
	case good && with > own:
		return placedMarks{}, &VoidError{Swapped, -1, fmt.Sprintf("it holds channel %d of the stimulus; swap the cables, or the channels of the recording", with+1)}
	case good && with < 0:
		return placedMarks{}, &VoidError{OtherVersion, -1, fmt.Sprintf("the recording's code is %08x, the stimulus's %08x; record this stimulus, or name the one that was played", hash, played.Code())}
	}
	if steps := lostFrames(played.Signal, parts.Channel(own), x, l, rate, start.frame, end.frame); len(steps) > 0 {
		return placedMarks{}, lostError(steps, rate, begin)
	}
	switch {
	case math.Abs(ppm) > timemap.MostDriftPPM:
		return placedMarks{}, &VoidError{WrongRate, -1, fmt.Sprintf("the marks lie %+.0f ppm further apart than they were played, accepted: up to %d; the clocks have other rates, or samples were lost or repeated", ppm, timemap.MostDriftPPM)}
	case !good:
		return placedMarks{}, &VoidError{Unreadable, -1, "the marks are there, the code between them is not readable; record again with less noise, distortion or reverberation"}
	}
	if ms, db := echo(start, end, rate); ms != 0 {
		return placedMarks{}, &VoidError{TwoArrivals, -1, fmt.Sprintf("the sound arrives twice: %.1f dB from the stronger arrival, a second one %.2f ms %s it; turn direct monitoring off, or the loudspeaker", db, math.Abs(ms), beforeOrAfter(ms))}
	}

	h.opposed = max(first.opposed, last.opposed)
	h.gain = (first.gain + last.gain) / 2 / dsp.DBToAmplitude(l.MarkDBFS)
	h.change = dsp.AmplitudeToDB(math.Abs(last.gain / first.gain))
	h.mark = math.Abs(h.gain) * rms(up.Wave(fs)) * dsp.DBToAmplitude(l.MarkDBFS)
	silence := quiet(x, h.Map, l, rate)
	h.noise, h.silent = rms(silence), len(silence) > 0
	h.spread = first.spread * h.noise / math.Abs(first.gain)
	for i, later := range first.parts {
		// A part of the band holds a quarter of what says the delay, and is off by twice as much.
		h.dispersion = max(h.dispersion, 3*(math.Abs(later+last.parts[i])/2-3*2*h.spread))
		h.unlike = max(h.unlike, math.Abs(last.parts[i]-later)-3*2*math.Sqrt2*h.spread)
	}
	// A fit over N frames is off by σ/√(N·mark²); a band of B Hz holds 2·B·t independent
	// values; of two marks.
	h.gainSpread = h.noise / h.mark / math.Sqrt(2*2*(up.TopHz-up.BottomHz)*up.Seconds)
	if over := dsp.AmplitudeToDB(h.mark / h.noise); over < leastMarkOverNoiseDB {
		return placedMarks{}, &VoidError{TooQuiet, -1, fmt.Sprintf("the marks around the signal, played at %.0f dBFS, stand %.1f dB over the noise, at least %d are needed; raise the level of the stimulus, which they follow, or find the noise", l.MarkDBFS, over, leastMarkOverNoiseDB)}
	}
	return h, nil
}

// channelWith is the channel of a stimulus that has a code; −1: none.
func channelWith(played stimulus.Marked, hash uint32, channels int) int {
	for c := range channels {
		if hash == played.ChannelCode(c) {
			return c
		}
	}
	return -1
}

func beforeOrAfter(ms float64) string {
	if ms < 0 {
		return "before"
	}
	return "after"
}

// quiet is the part of a recording that has the device's noise alone: the silence
// before the first mark, or, where it is not in the recording, the pause before
// the signal.
func quiet(x []float64, m timemap.Map, l stimulus.Layout, rate int) []float64 {
	guard := rate / 50
	for _, stretch := range [][2]int{{l.StartMark - l.Gap, l.StartMark}, {l.Signal - l.Gap/2, l.Signal}} {
		from, to := int(m.At(stretch[0])), int(m.At(stretch[1]))-guard
		from = max(0, from)
		if to-from > rate/10 && to <= len(x) {
			return x[from:to]
		}
	}
	return nil
}

// echo looks for a second arrival: another pair of marks at the distance of the
// first. It returns by how many ms it comes later (less than 0: earlier) and its
// level against the first, or 0.
func echo(start, end search, rate int) (ms, db float64) {
	starts, ends := start.correlation, end.correlation
	direct := math.Abs(starts[start.frame])
	apart := dsp.Frames(leastEchoMs, rate)
	best, at := direct*dsp.DBToAmplitude(mostEchoDB), start.frame
	for n := 1; n+1 < len(starts); n++ {
		v := math.Abs(starts[n])
		if v < best || n > start.frame-apart && n < start.frame+apart {
			continue
		}
		if rings(starts, n, start.frame, rate) {
			continue
		}
		if other := n + end.frame - start.frame; other >= 1 && other+1 < len(ends) {
			pair := max(math.Abs(ends[other-1]), math.Abs(ends[other]), math.Abs(ends[other+1]))
			if pair > v/2 && pair < v*2 {
				best, at = v, n
			}
		}
	}
	return float64(at-start.frame) * 1000 / float64(rate), dsp.AmplitudeToDB(best / direct)
}

// rings reports whether a correlation has been as large just before a place as there, on the
// side of the direct sound: what a filter rings decays from it on, and an arrival stands alone.
func rings(correlation []float64, at, direct, rate int) bool {
	near, far := rate*3/10000, rate*5/4000 // 0.3 and 1.25 ms
	from, to := at-far, at-near
	if at < direct {
		from, to = at+near, at+far
	}
	for k := max(0, from); k <= min(to, len(correlation)-1); k++ {
		if abs(k-direct) > near && math.Abs(correlation[k]) >= math.Abs(correlation[at]) {
			return true
		}
	}
	return false
}

// noMarks finds whether the marks are there at another speed: then the file was
// played or recorded at another rate than it states.
func noMarks(x []float64, rate int) *VoidError {
	best, speedFound := leastSimilarity, 0.0
	for _, speed := range rateRatios() {
		if s := searchFor(x, stimulus.MarkChirp(rate, true).Wave(float64(rate)*speed)); s.similarity > best {
			best, speedFound = s.similarity, speed
		}
	}
	if speedFound == 0 {
		return &VoidError{NotFound, -1, "neither mark is in the recording; was this stimulus played, and this input recorded?"}
	}
	return &VoidError{WrongRate, -1, fmt.Sprintf("the stimulus takes %.4f times its frames: the file states %d Hz, and its sound has %.0f Hz", speedFound, rate, float64(rate)*speedFound)}
}

// rateRatios are the ratios of two usual rates, each once, but for 1.
func rateRatios() []float64 {
	usual := []int{160, 240, 320, 441, 480, 882, 960} // times 100 Hz
	seen := map[float64]bool{1: true}
	var all []float64
	for _, a := range usual {
		for _, b := range usual {
			if r := float64(a) / float64(b); !seen[r] {
				seen[r] = true
				all = append(all, r)
			}
		}
	}
	return all
}

// rms is the root of the mean square about the mean.
func rms(x []float64) float64 {
	sum, squares := 0.0, 0.0
	for _, v := range x {
		sum += v
		squares += v * v
	}
	n := float64(max(1, len(x)))
	return math.Sqrt(max(0, squares/n-sum/n*sum/n))
}
