package instrument

import (
	"fmt"
	"io"
	"math"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/internal/spectra"
	"github.com/boothbench/boothbench/measure/internal/timemap"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// Alignment is a recording of a marked stimulus, resampled to the stimulus's frames.
type Alignment struct {
	// Sound is the recorded signal as an instrument's Analyse takes it. Its frame 0 is the
	// signal's first, and it ends half a second after the signal. Level and polarity are as
	// recorded.
	Sound    Response
	Rate     int // Hz, of the stimulus
	Readings measure.Readings
	Findings []measure.Finding // unusual, but not a reason to void the recording

	peaks []float64 // largest |sample| of each channel's signal as recorded; resampling would change it

	placed        timemap.Map // the stimulus's frames in the recording
	signal, begin int         // first frame of the signal in the stimulus, and of the recording in its file
}

// Recording is what was recorded from a device while it played a marked stimulus.
type Recording struct {
	Sound dsp.Block // channels x frames, full scale 1.0
	Rate  int       // Hz, as its file states
	Bits  int       // of integer samples; 0: floating point
	Begin int       // frame of the file at which Sound begins, for messages
}

// Align finds a marked stimulus in a recording of it and resamples the recording to the
// stimulus's frames. A recording that does not show the device's behaviour is a *VoidError with
// the reason.
//
// The readings of each channel are latency_frames and latency_ms (from the first frame of the
// file played to the first frame of the file recorded, if both were started together), gain_db,
// polarity, drift_ppm, noise_dbfs and mark_over_noise_db.
func Align(played stimulus.Marked, r Recording) (*Alignment, error) {
	sound := make(dsp.Block, len(r.Sound))
	a, err := align(played, recorded{r.Sound, r.Rate, r.Bits, r.Begin}, func(c int, plane []float64) error {
		sound[c] = plane
		return nil
	})
	if err != nil {
		return nil, err
	}
	a.Sound = sound
	return a, nil
}

// Close removes the temporary file of an alignment of files.
func (a *Alignment) Close() error {
	if c, ok := a.Sound.(io.Closer); ok {
		return c.Close()
	}
	return nil
}

// recorded is a Recording whose channels need not all be in memory.
type recorded struct {
	sound      Response
	rate, bits int
	begin      int
}

// align aligns one channel after the other, and passes each to give.
func align(played stimulus.Marked, r recorded, give func(channel int, plane []float64) error) (*Alignment, error) {
	parts, err := played.Parts()
	if err != nil {
		return nil, err
	}
	if err := checkRecording(played, r); err != nil {
		return nil, err
	}
	layout, channels := parts.Layout, parts.Channels()
	a := &Alignment{Rate: played.Rate, placed: timemap.Map{Speed: 1}, signal: layout.Signal, begin: r.begin}
	var firstMap timemap.Map
	clipped := &VoidError{Clipped, -1, ""}
	for c := range r.sound.Channels() {
		plane, err := r.sound.Plane(c)
		if err != nil {
			return nil, err
		}
		h, void := findMarks(played, parts, c, plane, r.rate, r.begin)
		if void != nil {
			void.Channel = c
			if void.Why != NotFound {
				return nil, void
			}
			if other, err := channelThatHas(played, parts, c, r); err != nil {
				return nil, err
			} else if other >= 0 {
				void.Detail = fmt.Sprintf("neither mark is in it, but both are in channel %d: plug in its cable, raise its gain, or play and record a stimulus of one channel", other+1)
			}
			return nil, void
		}
		if c == 0 {
			firstMap, a.placed = h.Map, h.Map
		}
		if err := give(c, firstMap.Resample(plane, layout.Signal, layout.EndMark)); err != nil {
			return nil, err
		}
		a.peaks = append(a.peaks, largestPeak(plane, int(h.At(layout.Signal)), int(h.At(layout.SignalEnd)), r.rate))
		a.report(h, c, r.sound.Channels(), layout.EndMark-layout.Signal)
		a.reportWords(plane, quiet(plane, h.Map, layout, r.rate), r.bits, c)
		a.reportApart(h.Delay-firstMap.Delay, c)
		a.findResampling(played.Signal, parts.Channel(min(c, channels-1)), plane, h.Map, layout, c, r.sound.Channels())
		if frame := clippedRun(plane, r.bitsOr24()); frame >= 0 && clipped.Channel < 0 {
			*clipped = VoidError{Clipped, c, fmt.Sprintf("three samples in a row at full scale from %s, frame %d; lower the level and record again", measure.TimeCode(int64(frame+r.begin), r.rate), frame+r.begin)}
		}
	}
	if clipped.Channel >= 0 && !drivesIntoClipping(played.Signal) {
		return nil, clipped
	}
	return a, nil
}

// peakBlockMs is the length of a block, and peakBlocks the number of successive blocks whose
// median peak counts: a tone fills them all, a click no more than two.
const peakBlockMs, peakBlocks = 10, 5

// largestPeak is the largest |sample| between two frames, without clicks: a value that the
// sound reaches repeatedly.
func largestPeak(x []float64, from, to, rate int) (most float64) {
	x = x[max(0, from):max(0, from, min(len(x), to))]
	var peaks []float64
	for block := range slices.Chunk(x, max(1, dsp.Frames(peakBlockMs, rate))) {
		peak := 0.0
		for _, v := range block {
			peak = max(peak, math.Abs(v))
		}
		peaks = append(peaks, peak)
	}
	if len(peaks) < peakBlocks {
		return slices.Max(append(peaks, 0))
	}
	for n := range len(peaks) - peakBlocks + 1 {
		near := slices.Sorted(slices.Values(peaks[n : n+peakBlocks]))
		most = max(most, near[peakBlocks/2])
	}
	return most
}

// channelThatHas is another channel of the recording that holds the stimulus; −1: none.
func channelThatHas(played stimulus.Marked, parts *stimulus.Parts, without int, r recorded) (int, error) {
	for c := range r.sound.Channels() {
		if c == without {
			continue
		}
		plane, err := r.sound.Plane(c)
		if err != nil {
			return -1, err
		}
		if _, void := findMarks(played, parts, c, plane, r.rate, r.begin); void == nil {
			return c, nil
		}
	}
	return -1, nil
}

// drivesIntoClipping reports whether a signal's purpose is to find where a path clips. Its
// recording may reach full scale.
func drivesIntoClipping(s stimulus.Signal) bool {
	series, is := s.(stimulus.ToneSeries)
	return is && series.ToDBFS > series.FromDBFS
}

func (r recorded) bitsOr24() int {
	if r.bits == 0 {
		return 24
	}
	return r.bits
}

// checkRecording finds the faults that are visible without a search for the marks.
func checkRecording(played stimulus.Marked, r recorded) error {
	if r.sound.Channels() == 0 || r.sound.Frames() == 0 {
		return &VoidError{NotFound, -1, "the recording is empty"}
	}
	if r.rate != played.Rate {
		return &VoidError{WrongRate, -1, fmt.Sprintf("the recording has %d Hz, the stimulus %d Hz; record at the stimulus's rate, or make the stimulus at the recorder's", r.rate, played.Rate)}
	}
	first := -1
	for c := range r.sound.Channels() {
		plane, err := r.sound.Plane(c)
		if err != nil {
			return err
		}
		if n := planes.FirstNonFinite(dsp.Block{plane}); n >= 0 && (first < 0 || n < first) {
			first = n
		}
	}
	if first >= 0 {
		return &VoidError{NonFinite, -1, fmt.Sprintf("NaN or infinite sample at frame %d", first)}
	}
	return nil
}

// steadyGainDB is how much two gains of a steady path may differ: noise 20 dB below a mark
// changes its level by less. (common practice, no source)
const steadyGainDB = 0.5

// leastDispersion is the least number of frames that is reported: a fifth of a sheet's
// resolution.
const leastDispersion = 0.002

// report adds the readings and findings of a channel.
func (a *Alignment) report(h placedMarks, channel, channels, frames int) {
	var r measure.Readings
	chirp := stimulus.MarkChirp(a.Rate, true)
	band := spectra.HzText(chirp.BottomHz) + " to " + spectra.HzText(chirp.TopHz)
	text := "frame 0 of the file played against frame 0 of the recording, both started together; largest band-limited correlation of the mark, " + band
	off := max(0.001, 2*h.spread)
	bound := func(inUnit float64, unit string) string {
		text := fmt.Sprintf("±%.2g %s, two standard deviations of the noise", off*inUnit, unit)
		if h.dispersion >= leastDispersion {
			text += fmt.Sprintf("; ±%.2g %s by which parts of the band arrive earlier or later", h.dispersion*inUnit, unit)
		}
		return text
	}
	r.Add("latency_frames", measure.Reading{Value: h.Delay, Unit: "frames", Definition: text, Bound: bound(1, "frames")})
	r.Add("latency_ms", measure.Reading{Value: h.Delay * 1000 / float64(a.Rate), Unit: "ms", Definition: text, Bound: bound(1000/float64(a.Rate), "ms")})
	gain := measure.Reading{Value: dsp.AmplitudeToDB(math.Abs(h.gain)), Unit: "dB", Reference: "the stimulus", Bandwidth: band, Definition: "least-squares fit of the marks"}
	if off := dsp.AmplitudeToDB(1 + 2*h.gainSpread); off >= leastStatedDB {
		gain.Bound = fmt.Sprintf("±%.2g dB, two standard deviations of the noise", off)
	}
	r.Add("gain_db", gain)
	turned := ""
	if h.opposed > mostOpposed {
		turned = noPolarity
	}
	r.Add("polarity", measure.Reading{Value: math.Copysign(1, h.gain), Reason: turned, Reference: "+1: as played, -1: inverted", Definition: "sign of that fit"})
	drift := measure.Reading{Value: (h.Speed - 1) * 1e6, Unit: "ppm", Reference: "the player's clock; more than 0: the recorder's is faster", Definition: "distance of the marks",
		Bound: fmt.Sprintf("±%.2g ppm, two standard deviations of the noise", 2*math.Sqrt2*h.spread/float64(frames)*1e6)}
	if h.unlike >= leastDispersion {
		drift.AddBound(fmt.Sprintf("±%.2g ppm, since the path does not treat both marks alike", h.unlike/float64(frames)*1e6))
	}
	r.Add("drift_ppm", drift)
	reason := ""
	if !h.silent {
		reason = "the recording has no silence before the marks"
	}
	noise := measure.Reading{Reason: reason, Unit: "dBFS", Reference: "mathematical rms against digital full scale", Definition: "rms about the mean, before the marks"}
	r.AddLevel("noise_dbfs", h.noise*h.noise, noise)
	over := 0.0
	if h.noise > 0 {
		over = h.mark / h.noise
	} else if reason == "" {
		reason = "no noise: exactly 0"
	}
	r.AddLevel("mark_over_noise_db", over*over, measure.Reading{Reason: reason, Unit: "dB", Reference: "that noise", Definition: "rms of the marks over it"})
	a.Readings = append(a.Readings, ofChannel(r, channel, channels)...)
	if h.gain < 0 && turned == "" {
		a.Findings = append(a.Findings, measure.Finding{Severity: measure.Warning, What: "polarity inverted", Do: "swap the two conductors of a connection, or the channel's polarity; phase readings are 180 degrees off", Frame: -1, Channel: channel})
	}
	if math.Abs(h.change) > steadyGainDB {
		a.Findings = append(a.Findings, measure.Finding{Severity: measure.Fault, What: fmt.Sprintf(gainChanged+"%+.1f dB from the mark before the signal to the one after it", h.change), Do: "switch automatic gain, limiters and noise reduction of the path off, and record again: levels in between are not the device's", Frame: -1, Channel: channel})
	}
	if drift := (h.Speed - 1) * 1e6; math.Abs(drift) > max(1, h.unlike/float64(frames)*1e6) {
		a.Findings = append(a.Findings, measure.Finding{Severity: measure.Note, What: fmt.Sprintf(clockIsOff+"%+.1f ppm off the player's: %+.0f ms in an hour; corrected", drift, drift*3.6), Do: "lock both to one clock where it matters", Frame: -1, Channel: channel})
	}
}

// clippedRun is the first frame of a run of three or more samples near full scale, as an
// overloaded converter leaves them; −1: none.
func clippedRun(x []float64, bits int) (frame int) {
	const run = 3 // common practice, no source
	top := 1 - math.Ldexp(1, 1-min(bits, 24))*1.5
	length := 0
	for n, v := range x {
		switch {
		case math.Abs(v) < top:
			length = 0
		case length > 0 && math.Signbit(v) != math.Signbit(x[n-1]):
			length = 1
		default:
			length++
		}
		if length == run {
			return n - run + 1
		}
	}
	return -1
}
