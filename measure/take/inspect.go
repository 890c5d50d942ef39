package take

import (
	"cmp"
	"context"
	"fmt"
	"runtime"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/planes"
)

// Inspection is the result of inspecting a take.
type Inspection struct {
	Readings measure.Readings
	Findings []measure.Finding // worst first
	// Events are clips, flat tops and dropouts, plosives and sibilants in order of time:
	// of more than MostEvents the longest.
	Events     []Event
	EventCount int64     // of all events, kept or not
	Pauses     []Pauses  // of each channel that has any
	Floors     []Floor   // of each channel; none of a take that is silent or no sound
	Hum        []HumLine // lines of the mains above the noise of the pauses
}

// Pauses are the stretches of one channel that the noise was measured in.
type Pauses struct {
	Channel   int
	Stretches [][2]int64 // first frame, and first frame after it
	// Noise is the spectrum: frequency_hz, level_dbfs (mathematical rms, in which a line
	// is read in full) and noise_bandwidth_hz, in which noise is read.
	Noise measure.Table
}

// Event is a fault or a sound at a place in the take.
type Event struct {
	Kind    string // "clip", "flat top", "dropout", "plosive", "sibilant"
	Frame   int64
	Frames  int64
	Channel int     // from 0, −1 for all
	Level   float64 // dBFS; −∞ for a dropout, whose samples are exactly 0
}

// Verdict is the worst finding in one word: good, note, warning or fault.
func (in *Inspection) Verdict() string {
	if len(in.Findings) == 0 {
		return "good"
	}
	return in.Findings[0].Severity.String()
}

// Inspect reads a take twice through open: once for everything that is
// counted, once for the spectrum of its pauses. It closes what can be closed.
func Inspect(ctx context.Context, open func() (wave.Source, error)) (*Inspection, error) {
	return InspectWith(ctx, open, func(wave.Format) []func(dsp.Block) { return nil })
}

// InspectWith is Inspect that also hands the blocks of its first reading to the taps that
// are made for the take's format, as measure.EachBlock does.
func InspectWith(ctx context.Context, open func() (wave.Source, error), taps func(wave.Format) []func(dsp.Block)) (*Inspection, error) {
	src, err := open()
	if err != nil {
		return nil, err
	}
	defer planes.Close(src)
	f := src.Format()
	t := newTake(f)
	defer t.levels.close()
	writes := append(t.writes(), taps(f)...)
	if err := measure.EachBlock(ctx, src, writes...); err != nil {
		return nil, err
	}
	t.finish()
	if t.nonFinite >= 0 {
		return t.inspection(nil), nil
	}
	floors := t.levels.findFloors(f.Rate)
	if err := readPauses(ctx, runtime.GOMAXPROCS(0), reopened(open, f), floors); err != nil {
		return nil, err
	}
	in := t.inspection(floors)
	if err := t.levels.close(); err != nil {
		return nil, err
	}
	return in, nil
}

// take gathers what one pass can read.
type take struct {
	format    wave.Format
	frames    int64
	nonFinite int64
	channels  []channelState
	pair      channelPair
	levels    *frameLevels
	events    eventList
	speech    speechEvents
	content   content
}

func newTake(f wave.Format) *take {
	levels := newFrameLevels(f.Rate, f.Channels, true)
	t := &take{
		format: f, nonFinite: -1, channels: make([]channelState, f.Channels),
		levels: levels, speech: speechEvents{levels.powers.hop, &levels.events}, content: newContent(f),
	}
	if f.Channels >= 2 {
		t.pair = newChannelPair()
	}
	for c := range t.channels {
		t.channels[c] = newChannelState(c, f)
	}
	return t
}

// writes are the meters' Write functions, each with separate memory.
func (t *take) writes() []func(dsp.Block) {
	all := []func(dsp.Block){t.writeChannels, t.content.write}
	all = append(all, t.levels.writes()...)
	if len(t.channels) >= 2 {
		all = append(all, t.pair.write)
	}
	return all
}

func (t *take) writeChannels(b dsp.Block) {
	if first := planes.FirstNonFinite(b); first >= 0 && t.nonFinite < 0 {
		t.nonFinite = t.frames + int64(first)
	}
	for c := range t.channels {
		t.channels[c].write(b[c], &t.events)
	}
	t.frames += int64(b.Frames())
}

func (t *take) finish() {
	for c := range t.channels {
		t.channels[c].finish(&t.events)
	}
}

// inspection turns the meters' results into readings and findings.
func (t *take) inspection(floors []*floor) *Inspection {
	for _, f := range floors {
		if f.undecided == "" {
			t.channels[f.channel].gaps.report(&t.events, f.noise.differences())
		}
	}
	in := &Inspection{Events: t.events.sorted(), EventCount: t.events.total()}
	for _, f := range floors {
		if f.noise != nil {
			in.Pauses = append(in.Pauses, f.noise.table())
		}
	}
	reason := ""
	switch {
	case t.nonFinite >= 0:
		reason = fmt.Sprintf("NaN or infinite sample at frame %d", t.nonFinite)
	case t.frames == 0:
		reason = "no sound: 0 frames"
	case t.silent():
		reason = "silence"
	}
	r := &report{in}
	if reason != "" {
		severity := measure.Warning
		if t.nonFinite >= 0 || t.frames > 0 {
			severity = measure.Fault
		}
		in.Events, in.EventCount = nil, 0 // a take that cannot be judged has no events
		r.find(severity, -1, -1, "the take cannot be judged: "+reason, "record again, or repair it first")
		for _, name := range []string{"noise_floor_dbfs", "speech_level_dbfs", "dc_dbfs"} {
			r.cannot(name, "dBFS", reason)
		}
		for _, name := range []string{"speech_to_noise_db", "crest_factor_db"} {
			r.cannot(name, "dB", reason)
		}
		return in
	}
	in.Floors = t.exported(floors)
	t.reportPeak(r)
	t.reportLevels(r, floors)
	t.events.report(r)
	for c := range t.channels {
		t.channels[c].report(r)
	}
	t.content.report(r, t.bits())
	if len(t.channels) >= 2 {
		t.pair.report(r, t.format.Rate)
	}
	r.sort()
	in.Readings = in.Readings.Finite()
	slices.SortStableFunc(in.Events, func(a, b Event) int { return cmp.Compare(a.Frame, b.Frame) })
	return in
}

// reportPeak adds the largest sample of all channels, and where it is.
func (t *take) reportPeak(r *report) {
	peak, frame, channel := 0.0, int64(0), 0
	for i := range t.channels {
		c := &t.channels[i]
		if most := max(c.largest, -c.least); most > peak {
			peak, frame, channel = most, c.peakFrame, i
		}
	}
	r.add("sample_peak_dbfs", measure.Reading{Value: dsp.AmplitudeToDB(peak), Unit: "dBFS", Reference: "digital full scale, peak", Definition: "largest |sample|"})
	last := &r.in.Readings[len(r.in.Readings)-1]
	last.Frame, last.Channel = frame, channel
}

// bits is what the samples of all channels are rounded to, 0 if one's are not.
func (t *take) bits() (most int) {
	for c := range t.channels {
		bits := t.channels[c].bits()
		if bits == 0 && t.channels[c].unquantised {
			return 0
		}
		most = max(most, bits)
	}
	return most
}

func (t *take) silent() bool {
	for _, c := range t.channels {
		if c.largest > 0 || c.least < 0 {
			return false
		}
	}
	return true
}

// report collects readings and findings.
type report struct{ in *Inspection }

// add adds a reading of the whole take.
func (r *report) add(name string, reading measure.Reading) {
	reading.Frame, reading.Channel = -1, -1
	r.in.Readings = append(r.in.Readings, measure.Named{Name: name, Reading: reading})
}

// addFor is add for one channel, from 0: its name ends in _chN.
func (r *report) addFor(channel int, name string, reading measure.Reading) {
	reading.Frame, reading.Channel = -1, channel
	r.in.Readings = append(r.in.Readings, measure.Named{Name: fmt.Sprintf("%s_ch%d", name, channel+1), Reading: reading})
}

func (r *report) cannot(name, unit, reason string) {
	r.add(name, measure.Reading{Unit: unit, Reason: reason})
}

func (r *report) find(s measure.Severity, frame int64, channel int, what, do string) {
	r.in.Findings = append(r.in.Findings, measure.Finding{Severity: s, What: what, Do: do, Frame: frame, Channel: channel})
}

func (r *report) sort() {
	slices.SortStableFunc(r.in.Findings, func(a, b measure.Finding) int { return int(b.Severity - a.Severity) })
}
