package instrument

import (
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/internal/timemap"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// Limits for the marks.
const (
	leastMarkOverNoiseDB = 20  // enough except for the last percent of a response; common practice, no source
	mostEchoDB           = -20 // a comb of 0.8 dB and more; common practice, no source
	leastEchoMs          = 1.5 // closer marks cannot be separated
)

// placedMarks is the place of a stimulus in one channel, and what its marks show.
type placedMarks struct {
	timemap.Map
	gain   float64 // of the marks, with its sign
	change float64 // gain of the last mark over that of the first, in dB
	noise  float64 // rms before the marks
	silent bool    // there is a silence in which to measure the noise
	mark   float64 // rms of the marks
	spread float64 // standard deviation of the delay in frames

	// gainSpread is the relative standard deviation of the gain, if all noise lies in the band
	// of the marks.
	gainSpread float64
	opposed    float64 // of the marks, see place

	// dispersion bounds the error of the delay in frames: three times the amount by which parts
	// of the band come earlier or later than the whole, less what noise explains (a test with
	// random filters checks it). unlike is the difference of these times between the two marks,
	// in frames; a path whose filters or gain move has one.
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
		return placedMarks{}, &VoidError{CutShort, -1, "the mark after the signal is missing; record from before the stimulus until after its end"}
	}

	if end.frame <= start.frame {
		return placedMarks{}, &VoidError{CutShort, -1, "the mark after the signal is found before the one that precedes it; record one playing, from its start to its end"}
	}

	// Templates are made for the recorder's clock: a mark whose speed differs from its
	// template's appears elsewhere.
	h := placedMarks{Map: timemap.Map{Speed: 1}}
	var first, last place
	for range 10 { // each pass reduces the error, the more the longer the signal
		before := h.Speed
		first = placeChirp(x, up, fs*h.Speed, start.frame, 0)
		last = placeChirp(x, down, fs*h.Speed, end.frame, first.gain)
		h.Speed = (last.frame - first.frame) / float64(l.EndMark-l.StartMark)
		if math.Abs(h.Speed-1) > 10*timemap.MostDriftPPM*1e-6 {
			break // too large for a clock difference
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
	case good && with >= 0 && with < own: // channels below its own were already found in their places
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
		// A part of the band has a quarter of the information about the delay, so its error is
		// twice as large.
		h.dispersion = max(h.dispersion, 3*(math.Abs(later+last.parts[i])/2-3*2*h.spread))
		h.unlike = max(h.unlike, math.Abs(last.parts[i]-later)-3*2*math.Sqrt2*h.spread)
	}
	// A fit over N frames has an error of σ/√(N·mark²). A band of B Hz holds 2·B·t independent
	// values in each of the two marks.
	h.gainSpread = h.noise / h.mark / math.Sqrt(2*2*(up.TopHz-up.BottomHz)*up.Seconds)
	if over := dsp.AmplitudeToDB(h.mark / h.noise); over < leastMarkOverNoiseDB {
		return placedMarks{}, &VoidError{TooQuiet, -1, fmt.Sprintf("the marks around the signal, played at %.0f dBFS, are %.1f dB above the noise, accepted: %d dB or more; raise the level of the stimulus, or of its marks alone (--mark-dbfs of boothbench tone), or find the source of the noise", l.MarkDBFS, over, leastMarkOverNoiseDB)}
	}
	return h, nil
}

// channelWith is the channel of a stimulus with a code; −1: none.
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

// quiet is the part of a recording with the device's noise alone: the silence before the first
// mark or, if that was not recorded, the pause before the signal.
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

// echo finds a second arrival: another pair of marks at the same distance. It returns how many
// ms later it comes (less than 0: earlier) and its level relative to the first; 0 ms if there
// is none.
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

// rings reports whether a correlation is as large a little closer to the direct sound as at a
// place. A filter's ringing decays away from the direct sound; an arrival stands alone.
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

// noMarks searches for the marks at other speeds. If they are found, the file was played or
// recorded at another rate than it states.
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
	return &VoidError{WrongRate, -1, fmt.Sprintf("the stimulus is %.4f times as long as it was played: the file states %d Hz, but its sound has %.0f Hz", speedFound, rate, float64(rate)*speedFound)}
}

// rateRatios are the ratios of any two common rates, each once, except 1.
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

// rms is the root mean square about the mean.
func rms(x []float64) float64 {
	sum, squares := 0.0, 0.0
	for _, v := range x {
		sum += v
		squares += v * v
	}
	n := float64(max(1, len(x)))
	return math.Sqrt(max(0, squares/n-sum/n*sum/n))
}
