package measure

import (
	"fmt"
	"math"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/internal/planes"
)

// Overs lists where a sound goes over a ceiling, by three readings: the samples,
// Rec. ITU-R BS.1770-5 Annex 2, and the fine reading of [TruePeak].
//
// Frame n reaches from sample n up to sample n+1. It is over the ceiling when
// sample n, or a reading between the two, is above it. Frames over the ceiling
// that lie less than 10 ms apart in one channel are one event: so the crests of
// one sound count together, down to 50 Hz, whose crests of either sign come every
// 10 ms. The sound is taken as silent before its first frame and after its last;
// what rings there is counted to these.
type Overs struct {
	OverSettings
	ceiling  float64
	frames   int64
	end      int64 // the first frame after the sound
	channels []overChannel
	part     dsp.Block // of a block
	onsets   onsets
	events   overEvents
	skip     bool // skip frames that bounds exclude; off in a test
}

// OverSettings say what is an over and how many are kept.
type OverSettings struct {
	Rate, Channels int // Hz; 1 to 64
	CeilingDBTP    float64
	MostEvents     int // the worst are kept, 0: 1000; all are counted
}

// overChannel is the state of one channel.
type overChannel struct {
	annex2, fine peakReader
	firstWindow  peakReader // the fine reading in first windows, and the samples
	recent       stretch
	open         Over  // the event that may continue; none while its Above is 0
	last         int64 // its last frame over the ceiling
	above        int64 // frames over the ceiling in all
	nonFinite    int64 // the first such sample, −1: none
	tooLarge     bool  // a sample cannot be interpolated
}

const (
	// mergeMs is the distance from which on two overs are two events: half a period of 50
	// Hz, the lowest frequency of a voice chain's programme.
	mergeMs = 10

	defaultEvents = 1000
)

// NewOvers makes a meter of overs.
func NewOvers(s OverSettings) (*Overs, error) {
	if s.Rate < 1 || s.Channels < 1 || s.Channels > dsp.MaxChannels {
		return nil, fmt.Errorf("overs: found %s at %d Hz; accepted: 1 to %d channels", dsp.Plural(s.Channels, "channel"), s.Rate, dsp.MaxChannels)
	}
	if !(s.CeilingDBTP >= -200 && s.CeilingDBTP <= 200) {
		return nil, &dsp.SettingError{Setting: "ceiling", Found: fmt.Sprintf("%g dBTP", s.CeilingDBTP), Accepted: "-200 to 200 dBTP"}
	}
	if s.MostEvents < 1 {
		s.MostEvents = defaultEvents
	}
	o := &Overs{
		OverSettings: s, ceiling: dsp.DBToAmplitude(s.CeilingDBTP), end: math.MaxInt64, skip: true,
		channels: make([]overChannel, s.Channels),
		part:     make(dsp.Block, s.Channels),
		onsets:   newOnsets(s.Rate, s.CeilingDBTP),
		events:   overEvents{most: s.MostEvents},
	}
	short, long := newPeakReader(annex2()), fineReader()
	for c := range o.channels {
		o.channels[c] = overChannel{annex2: short, fine: long, firstWindow: long, nonFinite: -1}
	}
	return o, nil
}

// Write takes the next block.
func (o *Overs) Write(b dsp.Block) {
	mustFit("Overs", b, len(o.channels))
	for from, frames := 0, b.Frames(); from < frames; from += peakChunk {
		to := min(frames, from+peakChunk)
		for c := range b {
			o.part[c] = b[c][from:to]
		}
		o.onsets.write(o.part, o.frames)
		for c, plane := range o.part {
			o.write(c, plane, o.frames)
		}
		o.frames += int64(to - from)
		o.onsets.forget(o.frames - fineTaps)
	}
	clear(o.part)
}

// write reads at most peakChunk frames.
func (o *Overs) write(channel int, x []float64, frame int64) {
	c := &o.channels[channel]
	s := &c.recent
	s.take(x, frame)
	peak := s.peak(fineTaps, len(s.samples))
	c.tooLarge = c.tooLarge || peak > math.MaxFloat64/8 // no L1 norm is as large
	if c.nonFinite < 0 && peak-peak != 0 {
		if i := slices.IndexFunc(x, func(v float64) bool { return v-v != 0 }); i >= 0 {
			c.nonFinite = frame + int64(i)
		}
	}
	o.look(channel, s)
}

// look reads the frames that the newest samples complete, except those that bounds
// exclude.
func (o *Overs) look(channel int, s *stretch) {
	const half = fineTaps / 2
	c := &o.channels[channel]
	var annex2, fine [peakCell]float64
	inner := half - c.annex2.bank.Half()
	end := len(s.samples) + 1 - fineTaps
	for from := c.fine.first(); from < end; from += peakCell {
		to := min(end, from+peakCell)
		o.lookFirst(c, s, from, to)
		samples := s.samples[from+half-1 : to+half-1]
		// Neither reading's L1 norm is under 1: this holds for the samples too.
		if o.skip && s.peak(from, to-1+fineTaps)*max(c.fine.l1, c.annex2.l1) <= o.ceiling {
			continue
		}
		clear(annex2[:])
		clear(fine[:])
		c.annex2.readings(s, from+inner, to+inner, o.ceiling, o.skip, annex2[:])
		c.fine.readings(s, from, to, o.ceiling, o.skip, fine[:])
		for i, x := range samples {
			sample := math.Abs(x)
			if !(sample > o.ceiling || annex2[i] > o.ceiling || fine[i] > o.ceiling) {
				continue
			}
			// Every reading of a frame that is over is listed.
			window := s.samples[from+i : from+i+fineTaps]
			o.over(channel, s.frame+int64(from+i+half-1), sample, c.annex2.bank.Peak(window[inner:fineTaps-inner]), c.fine.bank.Peak(window))
		}
	}
}

// lookFirst reads the frames that lie in a first window.
func (o *Overs) lookFirst(c *overChannel, s *stretch, from, to int) {
	const half = fineTaps / 2
	first := &c.firstWindow
	frame := func(i int) int64 { return s.frame + int64(i) + half - 1 }
	if o.skip && s.peak(from, to-1+fineTaps)*first.l1 <= first.largest || !o.onsets.touch(frame(from), frame(to-1)) {
		return
	}
	var readings [peakCell]float64
	first.readings(s, from, to, first.largest, o.skip, readings[:])
	for i := from; i < to; i++ {
		if !o.onsets.touch(frame(i), frame(i)) {
			continue
		}
		if v := max(math.Abs(s.samples[i+half-1]), readings[i-from]); planes.Exceeds(v, first.largest) {
			first.largest, first.frame = v, frame(i)
		}
	}
}

// over records a frame that is over the ceiling.
func (o *Overs) over(channel int, frame int64, sample, annex2, fine float64) {
	c := &o.channels[channel]
	first := o.onsets.touch(frame, frame)
	frame = min(max(0, frame), o.end-1)
	if c.open.Above > 0 && frame-c.last >= int64(o.Rate)*mergeMs/1000 {
		o.events.add(c.open)
		c.open = Over{}
	}
	if c.open.Above == 0 {
		c.open, c.last = Over{Frame: frame, Channel: channel}, frame-1
	}
	if frame > c.last {
		c.open.Above++
		c.above++
	}
	c.last = frame
	e := &c.open
	e.Frames = frame - e.Frame + 1
	e.FirstWindow = e.FirstWindow || first
	e.Sample = max(e.Sample, sample)
	e.Annex2 = max(e.Annex2, sample, annex2)
	e.Fine = max(e.Fine, sample, fine)
}

// ended is a copy of the meter for which the sound has ended.
func (o *Overs) ended() *Overs {
	e := *o
	e.end = o.frames
	e.channels = slices.Clone(o.channels)
	e.events.kept = slices.Clone(o.events.kept)
	for c := range e.channels {
		e.channels[c].recent = o.channels[c].recent.clone()
		e.write(c, make([]float64, fineTaps/2), o.frames)
		if open := e.channels[c].open; open.Above > 0 {
			e.events.add(open)
		}
	}
	return &e
}

// Events returns the worst events in order of time, at most MostEvents of them, and the
// number of all events. A sound with a NaN or infinite sample has none.
func (o *Overs) Events() (worst []Over, count int64) {
	if o.Reason() != "" {
		return nil, 0
	}
	e := o.ended()
	return e.events.inTime(), e.events.count
}

// Frames is how many frames were written.
func (o *Overs) Frames() int64 { return o.frames }

// Reason says why the sound cannot be measured; it is empty if it can.
func (o *Overs) Reason() string {
	first, large := int64(-1), false
	for _, c := range o.channels {
		large = large || c.tooLarge
		if c.nonFinite >= 0 && (first < 0 || c.nonFinite < first) {
			first = c.nonFinite
		}
	}
	switch {
	case first >= 0:
		return fmt.Sprintf("NaN or infinite sample at frame %d", first)
	case large:
		return tooLarge
	case o.frames == 0:
		return "no sound: 0 frames"
	}
	return ""
}

// Readings returns over_events (their number), time_over_ceiling_ms (of the
// channel that is over it longest) and first_window_overshoot_db, see
// [FirstWindowMs].
func (o *Overs) Readings() Readings {
	e := o.ended()
	var longest, first planes.Largest
	for c := range e.channels {
		longest.Offer(float64(e.channels[c].above), -1, c)
		first.Offer(e.channels[c].firstWindow.largest, e.channels[c].firstWindow.frame, c)
	}
	ceiling := fmt.Sprintf("%g dBTP", o.CeilingDBTP)
	about := Reading{
		Reason: o.Reason(), Reference: ceiling, Weighting: "none", Frame: -1, Channel: -1,
		Definition: fmt.Sprintf("frames over the ceiling by the samples, Annex 2 or the fine reading; less than %d ms apart in a channel they are one event", mergeMs),
	}
	count, above, window := about, about, about
	count.Unit, count.Value = "events", float64(e.events.count)
	above.Unit, above.Definition = "ms", "frames over the ceiling, by any of the readings, in the channel with the most of them"
	above.Value = longest.Value * 1000 / float64(o.Rate)
	if longest.Value > 0 {
		above.Channel = longest.Channel
	}
	window.Unit, window.Definition = "dB", fmt.Sprintf("fine reading less the ceiling in the first %d ms after at least %d ms of silence (under %d dB of the ceiling), the beginning among them", FirstWindowMs, silenceBeforeMs, silenceDB)
	window.Bound = fineBound
	switch {
	case window.Reason != "":
	case first.Value == 0:
		window.Reason = "silence"
	default:
		window.Value = dsp.AmplitudeToDB(first.Value) - o.CeilingDBTP
		window.Frame, window.Channel = max(0, min(first.Frame, o.frames-1)), first.Channel
	}
	return Readings{{"over_events", count}, {"time_over_ceiling_ms", above}, {"first_window_overshoot_db", window}}
}
