package bench

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// Collector assigns recordings to the stimuli of a plan and makes the sheet.
type Collector struct {
	plan       *Plan
	conditions []Condition
	items      [][]Item     // by condition, then stimulus
	begins     [][]int      // frame at which each item begins in the file of its condition
	taken      [][][]result // by condition, then item, then recording
	sheet      *Sheet
	found      []found // findings in the recordings
	gains      []markGain
	processed  []processedNoise
	broken     map[string]bool // by digest: recordings that a break was found in
}

// processedNoise is a finding that the noise of a condition's channel is that of processing.
type processedNoise struct {
	condition        Condition
	suffix, sentence string
}

// markGain is the gain measured with the marks around one stimulus.
type markGain struct {
	condition int // index into the plan's conditions
	recording string
	channel   string // suffix of a reading's name, such as "_ch1"
	test      string
	db        float64
}

// found is a finding of a path, and the number of further stimuli of that path with the same
// finding.
type found struct {
	path string
	Lack
	more   int
	digest string // of the recording
	clock  bool   // it is that the clock is off
}

// result is what one recording yields for an item.
type result struct {
	readings measure.Readings
	sha256   string
	curves   []Curve
}

// NewCollector returns a Collector without recordings.
func NewCollector(p *Plan) (*Collector, error) {
	c := &Collector{plan: p, broken: map[string]bool{}, conditions: p.Conditions(), sheet: &Sheet{SchemaVersion: SheetSchema, Kind: sheetKind, Device: p.Device, Plan: filepath.Base(p.Name), PlanSHA256: p.Digest,
		Rows: []Row{}, Curves: []Curve{}, Missing: []Lack{}, Void: []Lack{}, Findings: []Lack{}}}
	for _, condition := range c.conditions {
		items, begins, at := p.Items(condition), []int(nil), 0
		for _, i := range items {
			begins = append(begins, at)
			if i.Unmarked {
				continue
			}
			b, _, err := i.Stimulus.Make()
			if err != nil {
				return nil, fmt.Errorf("%s: %s: %w", condition, i.Test, err)
			}
			at += b.Frames()
		}
		c.items, c.begins, c.taken = append(c.items, items), append(c.begins, begins), append(c.taken, make([][]result, len(items)))
	}
	return c, nil
}

// AddFile reads a recording from a file and takes from it every stimulus of the plan.
func (c *Collector) AddFile(name string) error {
	text, err := os.Open(name)
	if err != nil {
		return err
	}
	defer text.Close()
	sum := sha256.New()
	if _, err := io.Copy(sum, text); err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	r, err := wave.Open(name)
	if err != nil {
		return err
	}
	defer r.Close()
	b := dsp.NewBlock(r.Format().Channels, int(r.Frames()))
	n, err := r.Read(b)
	if err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	for i := range b {
		b[i] = b[i][:n]
	}
	recording := instrument.Recording{Sound: b, Rate: r.Format().Rate}
	if r.Format().Encoding == wave.Integer {
		recording.Bits = r.Format().Bits
	}
	c.Add(name, hex.EncodeToString(sum.Sum(nil)), recording)
	return nil
}

// Add takes a recording: its sound, and the name and digest of its file. Faults of the
// recording are listed in the sheet.
func (c *Collector) Add(name, digest string, r instrument.Recording) {
	if n := planes.FirstNonFinite(r.Sound); n >= 0 {
		c.void(name, fmt.Sprintf("a sample at %s (frame %d) is NaN or infinite", measure.TimeCode(int64(n), r.Rate), n), "look for the fault in the device or its driver, and record again")
		return
	}
	if c.addUnmarked(name, digest, r) {
		return
	}
	var found []instrument.FoundCode
	for _, f := range instrument.FindCodes(r.Sound, r.Rate) {
		// Every channel holds the same marks, so one of them is enough.
		if !slices.ContainsFunc(found, func(g instrument.FoundCode) bool {
			return abs(g.Frame-f.Frame) < r.Rate/10 && (g.Readable || !f.Readable)
		}) {
			found = append(found, f)
		}
	}
	if rate := c.trueRate(r, found); rate > 0 {
		c.void(name, fmt.Sprintf("the file states %d Hz, and its sound has %d Hz", r.Rate, rate), "set player and recorder to the condition's rate, and record again")
		return
	}
	if c.isReversed(r, found) {
		c.void(name, "it runs backwards", "turn it round, or record again")
		return
	}
	cut := c.cutBeginnings(name, r, found)
	if len(found) == 0 && !cut {
		what, do := nothingIn(r.Sound)
		c.void(name, what, do)
	}
	for _, f := range found {
		at := name + " at " + measure.TimeCode(int64(f.Frame), r.Rate)
		i, k := c.itemOf(f.Code)
		switch {
		case !f.Readable:
			do := "record again with less noise, distortion or reverberation"
			if most := c.mostChannels(); r.Sound.Channels() < most {
				do = fmt.Sprintf("record every channel by itself: the recording has %d, the plan up to %d, and channels that are mixed have no code that can be read; or ", r.Sound.Channels(), most) + do
			}
			c.void(at, "a mark is there, and its code is not readable", do)
		case i < 0:
			c.void(at, fmt.Sprintf("the code %08x is of no stimulus of this plan", f.Code), "play the files that bench plan wrote for this plan as it is now")
		default:
			c.addItem(at, digest, r, f.Frame, i, k)
		}
	}
}

// cutBeginnings lists the stimuli of a recording of which the last mark was found, but not the
// first mark with its code. It reports whether there are any. It does not search where every
// stimulus of the condition was found.
func (c *Collector) cutBeginnings(name string, r instrument.Recording, found []instrument.FoundCode) (any bool) {
	var ends []int // ends that belong to a found first mark
	for n, f := range found {
		i, k := c.itemOf(f.Code)
		if !f.Readable || i < 0 {
			return false // no code: it is unknown which end belongs to it
		}
		marked := slices.DeleteFunc(slices.Clone(c.items[i]), func(item Item) bool { return item.Unmarked })
		if n == 0 && len(found) == len(marked) {
			return false
		}
		signal, err := c.items[i][k].Stimulus.Signal.Make(r.Rate)
		if err != nil {
			return false
		}
		l := stimulus.LayoutOf(r.Rate, signal.Frames())
		ends = append(ends, f.Frame+l.EndMark-l.StartMark)
	}
	for _, at := range instrument.FindEnds(r.Sound, r.Rate) {
		if !slices.ContainsFunc(ends, func(own int) bool { return abs(own-at) < r.Rate/10 }) {
			c.void(name+" at "+measure.TimeCode(int64(at), r.Rate), "the last mark of a stimulus is there, and its first mark and code are not: its beginning was cut off", "start recording before playing, and do not trim the recording")
			any = true
		}
	}
	return any
}

// trueRate returns the rate at which a recording was really made, where its file states another
// one: none of its codes is readable at the stated rate, and one of this plan is at another
// rate of the plan. It returns 0 if there is no such rate.
func (c *Collector) trueRate(r instrument.Recording, found []instrument.FoundCode) int {
	if slices.ContainsFunc(found, func(f instrument.FoundCode) bool { return f.Readable }) {
		return 0
	}
	var tried []int
	for _, condition := range c.conditions {
		rate := condition.RateHz
		if rate == r.Rate || slices.Contains(tried, rate) {
			continue
		}
		tried = append(tried, rate)
		for _, f := range instrument.FindCodes(r.Sound, rate) {
			if i, _ := c.itemOf(f.Code); f.Readable && i >= 0 {
				return rate
			}
		}
	}
	return 0
}

// isReversed reports whether a recording without readable codes has one of this plan when it is
// played backwards.
func (c *Collector) isReversed(r instrument.Recording, found []instrument.FoundCode) bool {
	if slices.ContainsFunc(found, func(f instrument.FoundCode) bool { return f.Readable }) {
		return false
	}
	backwards := make(dsp.Block, len(r.Sound))
	for i, plane := range r.Sound {
		backwards[i] = slices.Clone(plane)
		slices.Reverse(backwards[i])
	}
	return slices.ContainsFunc(instrument.FindCodes(backwards, r.Rate), func(f instrument.FoundCode) bool {
		i, _ := c.itemOf(f.Code)
		return f.Readable && i >= 0
	})
}

// nothingIn describes a recording without marks, and what to do about it.
func nothingIn(sound dsp.Block) (what, do string) {
	switch peak := stimulus.PeakDBFS(sound); {
	case sound.Frames() == 0:
		return "it holds no sound: 0 frames", "record again"
	case math.IsInf(peak, -1):
		return "it is silent: every sample is 0", "look for the input that was recorded, its cable and its gain, and record again"
	}
	return "no mark of a stimulus is in it", "name the recording of a file that bench plan wrote; a recording of input-noise is recognised by the file name that the cue sheet gives"
}

// mostChannels returns the largest number of channels of any path.
func (c *Collector) mostChannels() (most int) {
	for _, condition := range c.conditions {
		most = max(most, condition.Path.Channels)
	}
	return most
}

func abs(n int) int { return max(n, -n) }

// itemOf finds the item that has a code in one of its channels; −1, −1: none.
func (c *Collector) itemOf(code uint32) (condition, item int) {
	for i := range c.items {
		for k, item := range c.items[i] {
			for channel := range max(1, item.Path.Channels) {
				if !item.Unmarked && item.Stimulus.ChannelCode(channel) == code {
					return i, k
				}
			}
		}
	}
	return -1, -1
}

// addItem measures one stimulus of a recording.
func (c *Collector) addItem(at, digest string, r instrument.Recording, frame, i, k int) {
	item := c.items[i][k]
	if n := item.Path.Channels; n > 1 && r.Sound.Channels() != n {
		c.void(at, fmt.Sprintf("%s, %s: the recording has %s, the path %d", item.Condition, item.Test, dsp.Plural(r.Sound.Channels(), "channel"), n), "record all channels of the path in one file, and no others: "+item.FileName()+".wav")
		return
	}
	part, begin, err := instrument.PartAround(item.Stimulus, r.Sound, frame)
	if err != nil {
		c.void(at, err.Error(), "")
		return
	}
	a, err := instrument.Align(item.Stimulus, instrument.Recording{Sound: part, Rate: r.Rate, Bits: r.Bits, Begin: begin})
	if err != nil {
		c.void(at, fmt.Sprintf("%s, %s: %v", item.Condition, item.Test, err), "record this condition again: "+item.FileName()+".wav")
		return
	}
	readings, err := a.Read(item.Stimulus.Signal)
	if stress, is := item.Stimulus.Signal.(stimulus.LimiterStress); is && err == nil {
		readings, err = overshootOf(stress, *item.Path.CeilingDBTP, r.Rate, part, a)
	}
	if err != nil {
		c.void(at, fmt.Sprintf("%s, %s: %v", item.Condition, item.Test, err), "record this condition again")
		return
	}
	readings = ofDriven(item.Stimulus.Signal, withNoiseBounds(readings, a.Readings, item.Stimulus.Signal, r.Rate))
	for _, f := range a.Findings {
		if instrument.IsOfMovingGain(f) && item.Path.isDynamics() {
			continue // a change of gain is its purpose
		}
		if instrument.IsOfNoiseReduction(f) {
			if item.Path.worksByLevel() {
				continue // it may be its purpose
			}
			suffix := ""
			if f.Channel >= 0 && len(part) > 1 {
				suffix = fmt.Sprintf("_ch%d", f.Channel+1)
			}
			c.processed = append(c.processed, processedNoise{item.Condition, suffix, f.What})
		}
		what := f.What
		if f.Channel >= 0 && len(part) > 1 {
			what = fmt.Sprintf("channel %d: %s", f.Channel+1, what)
		}
		c.broken[digest] = c.broken[digest] || instrument.IsOfBreak(f)
		c.find(item, at, digest, measure.Finding{What: what, Do: f.Do}, instrument.IsOfClock(f))
	}
	for _, g := range a.Readings {
		if channel, is := strings.CutPrefix(g.Name, "gain_db"); is && g.Measurable() {
			c.gains = append(c.gains, markGain{i, digest, channel, item.Test, g.Value})
		}
	}
	if c.begins[i][k] == 0 { // once for each path and recording
		readings = c.ofPath(a.Readings, item, begin, r.Rate).With(readings)
	}
	c.taken[i][k] = append(c.taken[i][k], result{item.Path.calibrated(readings), digest, curvesOf(item, a.Rate, a.Sound)})
}

// ofDriven removes the readings of a tone from channels in which no tone was played. The tone
// there is crosstalk from the driven channel, and noise over it is no distortion.
func ofDriven(s stimulus.Signal, r measure.Readings) measure.Readings {
	tone, is := s.(stimulus.Tone)
	if !is || tone.Only == 0 {
		return r
	}
	return slices.DeleteFunc(r, func(n measure.Named) bool {
		ofTone := slices.ContainsFunc([]string{"tone_", "harmonic", "thd_"}, func(prefix string) bool { return strings.HasPrefix(n.Name, prefix) })
		return ofTone && channelSuffix(n.Name) != fmt.Sprintf("_ch%d", tone.Only)
	})
}

// find records a finding of an item. An inverted path, or one with another clock, changes all
// of its stimuli alike: one finding then counts for all of them.
func (c *Collector) find(item Item, at, digest string, finding measure.Finding, clock bool) {
	for i := range c.found {
		if f := &c.found[i]; f.path == item.Path.Name && f.What == finding.What && f.Do == finding.Do && (!clock || f.digest == digest) {
			f.more++
			return
		}
	}
	c.found = append(c.found, found{item.Path.Name, Lack{fmt.Sprintf("%s (%s, %s)", at, item.Condition, item.Test), finding.What, finding.Do, item.Path.Name}, 0, digest, clock})
}

// findings returns the findings of all recordings. Where a recording is broken, that its clock
// is off is none: the break may be the cause.
func (c *Collector) findings() []Lack {
	all := []Lack{}
	for _, f := range c.found {
		if f.clock && c.broken[f.digest] {
			continue
		}
		if f.more > 0 {
			f.Of += fmt.Sprintf(", and %d more of this path", f.more)
		}
		all = append(all, f.Lack)
	}
	return all
}

// ofPath returns the readings of the marks, with the latency counted from the start of the
// recording.
func (c *Collector) ofPath(r measure.Readings, item Item, begin, rate int) (all measure.Readings) {
	for _, n := range r {
		switch {
		case strings.HasPrefix(n.Name, "latency_") && !item.Path.Together:
			n.Value, n.Reason = 0, "playing and recording were not started together; together = true in the plan says that they are"
		case strings.HasPrefix(n.Name, "latency_frames"):
			n.Reading = fromBegin(n.Reading, float64(begin), 1, float64(rate))
		case strings.HasPrefix(n.Name, "latency_ms"):
			n.Reading = fromBegin(n.Reading, float64(begin)*1000/float64(rate), 1000/float64(rate), 1000)
		case strings.HasPrefix(n.Name, "mark_over_noise"):
			continue
		}
		all = append(all, n)
	}
	return all
}

// mostLatencySeconds is the longest latency accepted as a device's (own definition: far longer
// than any block or look-ahead in use).
const mostLatencySeconds = 2

// fromBegin returns a latency counted from the start of the recording. InFrame and inSecond are
// the length of a frame and of a second in the reading's unit. The latency of a wire is 0
// within rounding, and the dispersion of a filter may make it negative by a fraction of a
// frame. A recording that was cut or joined does not begin with the sound that was played, and
// has no latency.
func fromBegin(r measure.Reading, begin, inFrame, inSecond float64) measure.Reading {
	r.Value += begin
	if r.Reason == "" && (r.Value < -inFrame || r.Value > mostLatencySeconds*inSecond) {
		r.Value, r.Reason = 0, fmt.Sprintf("the stimulus does not lie where it was played: the recording was cut, joined, or not started together with it; a latency is 0 to %d s", mostLatencySeconds)
	}
	return r
}

// addUnmarked takes a recording of an item without marks, which is recognised by the file name.
func (c *Collector) addUnmarked(name, digest string, r instrument.Recording) bool {
	base := strings.TrimSuffix(filepath.Base(name), filepath.Ext(name))
	for i := range c.items {
		for k, item := range c.items[i] {
			rest, is := strings.CutPrefix(base, item.FileName()+"-"+item.Test)
			if !item.Unmarked || !is || rest != "" && !strings.HasPrefix(rest, "-") {
				continue
			}
			silence := item.Stimulus.Signal
			made, err := silence.Make(item.RateHz)
			switch {
			case err != nil:
				c.void(name, err.Error(), "")
			case r.Rate != item.RateHz:
				c.void(name, fmt.Sprintf("%d Hz, and the condition has %d Hz", r.Rate, item.RateHz), "record at the condition's rate")
			case r.Sound.Frames() < made.Frames():
				c.void(name, fmt.Sprintf("%.1f s long, and %.0f s are needed", float64(r.Sound.Frames())/float64(r.Rate), float64(made.Frames())/float64(r.Rate)), "record longer")
			default:
				readings, err := instrument.AnalyseAll(silence, r.Rate, r.Sound)
				if err != nil {
					c.void(name, err.Error(), "")
					return true
				}
				c.taken[i][k] = append(c.taken[i][k], result{withNoiseBounds(item.Path.calibrated(readings), nil, silence, r.Rate), digest, nil})
			}
			return true
		}
	}
	return false
}

func (c *Collector) void(of, what, do string) {
	c.sheet.Void = append(c.sheet.Void, Lack{Of: of, What: what, Do: do})
}
