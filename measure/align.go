package measure

import (
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// Alignment is a recording of a marked stimulus, brought onto the stimulus's
// frames.
type Alignment struct {
	// Sound is the recorded signal as an instrument's Analyse takes it: its frame
	// 0 is the signal's, it goes on for half a second behind the signal, and its
	// level and polarity are as recorded.
	Sound    dsp.Block
	Rate     int // Hz, the stimulus's
	Readings Readings
	Findings []Finding // what is odd, though it voids nothing
}

// Void is a reason for which a recording says nothing about a device.
type Void string

// The reasons.
const (
	NotFound     Void = "stimulus not found"
	WrongRate    Void = "wrong rate"
	Clipped      Void = "clipped"
	TooQuiet     Void = "too quiet"
	TwoArrivals  Void = "two arrivals"
	OtherVersion Void = "another version of the stimulus"
	Unreadable   Void = "code not readable"
	CutShort     Void = "cut short"
	NonFinite    Void = "samples that are no numbers"
)

// VoidError tells why a recording is void.
type VoidError struct {
	Why     Void
	Channel int    // from 0, −1 for all
	Detail  string // what was found, and what to do
}

func (e *VoidError) Error() string {
	if e.Channel < 0 {
		return fmt.Sprintf("void: %s: %s", e.Why, e.Detail)
	}
	return fmt.Sprintf("void: channel %d: %s: %s", e.Channel+1, e.Why, e.Detail)
}

// Limits of what counts.
const (
	leastMarkOverNoiseDB = 20  // for all but the response's last percent; common practice, no source
	mostDriftPPM         = 500 // crystals keep to 100 (common practice, no source); a pulled-down rate is 999 off
	mostEchoDB           = -20 // a comb of 0.8 dB and more; common practice, no source
	leastEchoMs          = 1.5 // nearer, the marks do not part
)

// Recording is what came back from a device that was played a marked stimulus.
type Recording struct {
	Sound dsp.Block // channels x frames, full scale 1.0
	Rate  int       // Hz, as its file states
	Bits  int       // of its integers; 0: floating point
}

// Align finds a marked stimulus in a recording of it and brings the recording onto
// the stimulus's frames. A recording that says nothing about the device is a
// *VoidError with the reason.
//
// The readings, for each channel: latency_frames and latency_ms (from the first
// frame of the file played to the first frame of the file recorded, if both were
// started together), gain_db, polarity, drift_ppm, noise_dbfs,
// mark_over_noise_db.
func Align(played stimulus.Marked, r Recording) (*Alignment, error) {
	_, layout, err := played.Make()
	if err != nil {
		return nil, err
	}
	if err := checkRecording(played, r); err != nil {
		return nil, err
	}
	a := &Alignment{Rate: played.Rate, Sound: make(dsp.Block, len(r.Sound))}
	var firstMap timeMap
	for c, plane := range r.Sound {
		h, err := hear(played, layout, plane, r.Rate)
		if err != nil {
			err.Channel = c
			return nil, err
		}
		if c == 0 {
			firstMap = h.timeMap
		}
		a.Sound[c] = firstMap.resample(plane, layout.Signal, layout.EndMark)
		a.report(h, c, len(r.Sound))
	}
	if frame, channel := clippedRun(r.Sound, bitsOf(r)); frame >= 0 {
		return nil, &VoidError{Clipped, channel, fmt.Sprintf("three samples in a row at full scale from %s, frame %d; lower the level and record again", TimeCode(int64(frame), r.Rate), frame)}
	}
	return a, nil
}

func bitsOf(r Recording) int {
	if r.Bits == 0 {
		return 24
	}
	return r.Bits
}

// checkRecording looks for what needs no search.
func checkRecording(played stimulus.Marked, r Recording) error {
	if len(r.Sound) == 0 || r.Sound.Frames() == 0 {
		return &VoidError{NotFound, -1, "the recording is empty"}
	}
	if r.Rate != played.Rate {
		return &VoidError{WrongRate, -1, fmt.Sprintf("the recording has %d Hz, the stimulus %d Hz; record at the stimulus's rate, or make the stimulus at the recorder's", r.Rate, played.Rate)}
	}
	if n := firstNonFinite(r.Sound); n >= 0 {
		return &VoidError{NonFinite, -1, fmt.Sprintf("NaN or infinite sample at frame %d", n)}
	}
	return nil
}

// heard is a stimulus as one channel has it.
type heard struct {
	timeMap
	gain   float64 // of the marks, with its sign
	noise  float64 // rms before the marks
	mark   float64 // rms of the marks
	spread float64 // standard deviation of the delay in frames
}

// hear finds the stimulus in a channel.
func hear(played stimulus.Marked, l stimulus.Layout, x []float64, rate int) (heard, *VoidError) {
	up, down := stimulus.MarkChirp(rate, true), stimulus.MarkChirp(rate, false)
	fs := float64(rate)
	start, end := searchFor(x, up.Wave(fs)), searchFor(x, down.Wave(fs))
	switch {
	case !start.found() && !end.found():
		return heard{}, notHeard(x, rate)
	case !start.found():
		return heard{}, &VoidError{CutShort, -1, "the mark before the signal is missing; record from before the stimulus until after its end"}
	case !end.found():
		return heard{}, &VoidError{CutShort, -1, "the mark behind the signal is missing; record from before the stimulus until after its end"}
	}

	// Templates are made anew for the recorder's clock: a mark that runs at
	// another speed than its template seems to lie elsewhere.
	h := heard{timeMap: timeMap{speed: 1}}
	var first, last place
	for range 10 { // each time the rest shrinks, the more the longer the signal
		before := h.speed
		first, last = placeChirp(x, up, fs*h.speed, start.frame), placeChirp(x, down, fs*h.speed, end.frame)
		h.speed = (last.frame - first.frame) / float64(l.EndMark-l.StartMark)
		if math.Abs(h.speed-1) > 10*mostDriftPPM*1e-6 {
			break // another length: no clock
		}
		if math.Abs(h.speed-before) < 1e-9 {
			break
		}
	}
	h.delay = first.frame - h.speed*float64(l.StartMark)
	hash, good := readCode(x, rate, timeMap{first.frame - float64(l.StartMark), 1}, l)
	if !good {
		hash, good = readCode(x, rate, h.timeMap, l)
	}
	ppm := (h.speed - 1) * 1e6
	switch {
	case good && hash != played.Code():
		return heard{}, &VoidError{OtherVersion, -1, fmt.Sprintf("the recording's code is %08x, the stimulus's %08x; record this stimulus, or name the one that was played", hash, played.Code())}
	case math.Abs(ppm) > mostDriftPPM:
		return heard{}, &VoidError{WrongRate, -1, fmt.Sprintf("the marks lie %+.0f ppm further apart than they were played, accepted: up to %d; the clocks have other rates, or samples were lost or repeated", ppm, mostDriftPPM)}
	case !good:
		return heard{}, &VoidError{Unreadable, -1, "the marks are there, the code between them is not readable; record again with less noise, distortion or reverberation"}
	}
	if ms, db := echo(start, end, rate); ms != 0 {
		return heard{}, &VoidError{TwoArrivals, -1, fmt.Sprintf("the sound arrives twice: %.1f dB from the stronger arrival, a second one %.2f ms %s it; turn direct monitoring off, or the loudspeaker", db, math.Abs(ms), beforeOrAfter(ms))}
	}

	h.gain = (first.gain + last.gain) / 2 / dsp.DBToAmplitude(stimulus.MarkPeakDBFS)
	h.mark = math.Abs(h.gain) * rms(up.Wave(fs)) * dsp.DBToAmplitude(stimulus.MarkPeakDBFS)
	h.noise = rms(quiet(x, h.timeMap, l, rate))
	h.spread = first.spread * h.noise / math.Abs(first.gain)
	if over := dsp.AmplitudeToDB(h.mark / h.noise); over < leastMarkOverNoiseDB {
		return heard{}, &VoidError{TooQuiet, -1, fmt.Sprintf("the marks stand %.1f dB over the noise, at least %d are needed; raise the level, or find the noise", over, leastMarkOverNoiseDB)}
	}
	return h, nil
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
func quiet(x []float64, m timeMap, l stimulus.Layout, rate int) []float64 {
	guard := rate / 50
	for _, stretch := range [][2]int{{l.StartMark - l.Gap, l.StartMark}, {l.Signal - l.Gap/2, l.Signal}} {
		from, to := int(m.at(stretch[0])), int(m.at(stretch[1]))-guard
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
		if other := n + end.frame - start.frame; other >= 1 && other+1 < len(ends) {
			pair := max(math.Abs(ends[other-1]), math.Abs(ends[other]), math.Abs(ends[other+1]))
			if pair > v/2 && pair < v*2 {
				best, at = v, n
			}
		}
	}
	return float64(at-start.frame) * 1000 / float64(rate), dsp.AmplitudeToDB(best / direct)
}

// notHeard tells whether the marks are there at another speed: then the file was
// played or recorded at another rate than it states.
func notHeard(x []float64, rate int) *VoidError {
	best, heardAt := leastLikeness, 0.0
	for _, speed := range rateRatios() {
		if s := searchFor(x, stimulus.MarkChirp(rate, true).Wave(float64(rate)*speed)); s.likeness > best {
			best, heardAt = s.likeness, speed
		}
	}
	if heardAt == 0 {
		return &VoidError{NotFound, -1, "neither mark is in the recording; was this stimulus played, and this input recorded?"}
	}
	return &VoidError{WrongRate, -1, fmt.Sprintf("the stimulus takes %.4f times its frames: the file states %d Hz, and its sound has %.0f Hz", heardAt, rate, float64(rate)*heardAt)}
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

// report adds what was found of a channel.
func (a *Alignment) report(h heard, channel, channels int) {
	var r Readings
	text := "frame 0 of the file played against frame 0 of the recording, both started together; largest band-limited correlation of the mark, 400 Hz to 6 kHz"
	bound := fmt.Sprintf("±%.2g frames, two standard deviations of the noise; a device's dispersion adds its own", max(0.001, 2*h.spread))
	r.add("latency_frames", Reading{Value: h.delay, Unit: "frames", Definition: text, Bound: bound})
	r.add("latency_ms", Reading{Value: h.delay * 1000 / float64(a.Rate), Unit: "ms", Definition: text})
	r.add("gain_db", Reading{Value: dsp.AmplitudeToDB(math.Abs(h.gain)), Unit: "dB", Reference: "the stimulus", Bandwidth: "400 Hz to 6 kHz", Definition: "least-squares fit of the marks"})
	r.add("polarity", Reading{Value: math.Copysign(1, h.gain), Reference: "+1: as played, -1: inverted", Definition: "sign of that fit"})
	r.add("drift_ppm", Reading{Value: (h.speed - 1) * 1e6, Unit: "ppm", Reference: "the player's clock; more than 0: the recorder's is faster", Definition: "distance of the marks",
		Bound: fmt.Sprintf("±%.2g ppm, two standard deviations of the noise", 2*math.Sqrt2*h.spread/float64(len(a.Sound[channel]))*1e6)})
	noise := Reading{Unit: "dBFS", Reference: "mathematical rms against digital full scale", Definition: "rms about the mean, before the marks"}
	r.addLevel("noise_dbfs", h.noise*h.noise, noise)
	over := Reading{Unit: "dB", Definition: "rms of the marks over that noise"}
	if h.noise == 0 {
		over.Reason = "no noise: exactly 0"
	} else {
		over.Value = dsp.AmplitudeToDB(h.mark / h.noise)
	}
	r.add("mark_over_noise_db", over)
	a.Readings = append(a.Readings, ofChannel(r, channel, channels)...)
	if h.gain < 0 {
		a.Findings = append(a.Findings, Finding{Doubt, "polarity inverted", "swap the two conductors of a connection, or the channel's polarity; phase readings are 180 degrees off", -1, channel})
	}
	if drift := (h.speed - 1) * 1e6; math.Abs(drift) > 1 {
		a.Findings = append(a.Findings, Finding{Note, fmt.Sprintf("the recorder's clock is %+.2f ppm off the player's: %+.2f ms in an hour; taken out", drift, drift*3.6), "lock both to one clock where it matters", -1, channel})
	}
}
