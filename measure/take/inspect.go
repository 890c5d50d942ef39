package take

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/internal/weighting"
)

// Inspection is what a take's health was found to be.
type Inspection struct {
	Readings measure.Readings
	Findings []measure.Finding // worst first
	Events   []Event           // clips, dropouts: the worst, in order of time
}

// Event is something at a time.
type Event struct {
	Kind    string // "clip", "flat top", "dropout", "plosive", "sibilant"
	Frame   int64
	Frames  int64
	Channel int     // from 0, −1 for all
	Level   float64 // dBFS; −∞ for a dropout, whose samples are exactly 0
}

// Verdict is the worst that was found in one word: good, note, doubt or fault.
func (in *Inspection) Verdict() string {
	if len(in.Findings) == 0 {
		return "good"
	}
	return in.Findings[0].Severity.String()
}

// Inspect reads a take twice through open: once for everything that is
// counted, once for the spectrum of its pauses. It closes what can be closed.
func Inspect(ctx context.Context, open func() (wave.Source, error)) (*Inspection, error) {
	src, err := open()
	if err != nil {
		return nil, err
	}
	defer planes.Close(src)
	t := newTake(src.Format())
	if err := measure.EachBlock(ctx, src, t.writes()...); err != nil {
		return nil, err
	}
	t.finish()
	var noise []*noiseSpectrum // of the channels that have pauses
	var writes []func(dsp.Block)
	for c, levels := range t.levels.levels {
		if p, ok := findPauses(levels); ok {
			n := newNoiseSpectrum(t.format.Rate, c, p)
			noise, writes = append(noise, n), append(writes, n.write)
		}
	}
	if len(noise) > 0 && t.nonFinite < 0 {
		again, err := open()
		if err != nil {
			return nil, err
		}
		defer planes.Close(again)
		if err := measure.EachBlock(ctx, again, writes...); err != nil {
			return nil, err
		}
		for _, n := range noise {
			n.finish()
		}
	}
	return t.inspection(noise), nil
}

// take gathers what one pass can tell.
type take struct {
	format    wave.Format
	frames    int64
	nonFinite int64
	channels  []channelState
	pair      channelPair
	levels    frameLevels
	events    eventList
	speech    speechEvents
	content   content
}

func newTake(f wave.Format) *take {
	t := &take{
		format: f, nonFinite: -1, channels: make([]channelState, f.Channels),
		levels: newFrameLevels(f.Rate, f.Channels), speech: newSpeechEvents(f.Rate, f.Channels), content: newContent(f),
	}
	if f.Channels >= 2 {
		t.pair = newChannelPair()
	}
	for c := range t.channels {
		t.channels[c] = newChannelState(c, f)
	}
	return t
}

// writes are what looks at the sound, each with memory of its own.
func (t *take) writes() []func(dsp.Block) {
	all := []func(dsp.Block){t.writeChannels, t.levels.write, t.speech.write, t.content.write}
	if len(t.channels) >= 2 {
		all = append(all, func(b dsp.Block) { t.pair.write(b[0], b[1]) })
	}
	return all
}

func (t *take) writeChannels(b dsp.Block) {
	if first := planes.FirstNonFinite(b); first >= 0 && t.nonFinite < 0 {
		t.nonFinite = t.frames + int64(first)
	}
	for c := range t.channels {
		t.channels[c].write(b[c], t.frames, &t.events)
	}
	t.frames += int64(b.Frames())
}

func (t *take) finish() {
	for c := range t.channels {
		t.channels[c].finish(&t.events)
	}
}

// inspection turns what was gathered into readings and findings.
func (t *take) inspection(noise []*noiseSpectrum) *Inspection {
	in := &Inspection{Events: t.events.sorted()}
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
		severity := measure.Note
		if t.nonFinite >= 0 {
			severity = measure.Fault
		}
		r.find(severity, -1, -1, "the take has no health to speak of: "+reason, "record again, or repair it first")
		for _, name := range []string{"noise_floor_dbfs", "speech_level_dbfs", "dc_dbfs"} {
			r.cannot(name, "dBFS", reason)
		}
		for _, name := range []string{"speech_to_noise_db", "crest_factor_db"} {
			r.cannot(name, "dB", reason)
		}
		return in
	}
	t.reportLevels(r, noise)
	t.events.report(r)
	for c := range t.channels {
		t.channels[c].report(r)
	}
	t.content.report(r)
	if len(t.channels) >= 2 {
		t.pair.report(r)
	}
	r.sort()
	in.Readings = in.Readings.Finite()
	slices.SortStableFunc(in.Events, func(a, b Event) int { return cmp.Compare(a.Frame, b.Frame) })
	return in
}

func (t *take) silent() bool {
	for _, c := range t.channels {
		if c.largest > 0 || c.least < 0 {
			return false
		}
	}
	return true
}

// reportLevels tells of noise and speech.
func (t *take) reportLevels(r *report, noise []*noiseSpectrum) {
	const scale = "mathematical rms against digital full scale (a full-scale sine is -3.01)"
	if len(noise) == 0 {
		reason := "no pause longer than 300 ms: record 10 s of room tone"
		if t.frames < int64(t.format.Rate)*3/10 {
			reason = fmt.Sprintf("too short: %.2g s < 0.3 s", float64(t.frames)/float64(t.format.Rate))
		}
		for _, name := range []string{"noise_floor_dbfs", "noise_floor_a_dbfs", "noise_floor_c_dbfs", "noise_floor_bs468_dbfs", "speech_level_dbfs"} {
			r.cannot(name, "dBFS", reason)
		}
		r.cannot("speech_to_noise_db", "dB", reason)
		t.speech.report(r, t.levels.loudest, 0, reason)
		r.find(measure.Doubt, -1, -1, "the noise floor cannot be measured: "+reason, "leave room tone at the head of each take")
		return
	}
	noisiest := noise[0]
	for _, n := range noise[1:] {
		if n.level(weighting.AudioBand) > noisiest.level(weighting.AudioBand) {
			noisiest = n
		}
	}
	bound := fmt.Sprintf("rests on %.1f s of pauses", noisiest.pauses.seconds())
	if len(t.channels) > 1 {
		bound += fmt.Sprintf("; channel %d, the noisiest", noisiest.channel+1)
	}
	level := func(name, weighting, definition string, weight func(float64) float64) float64 {
		v := dsp.PowerToDB(noisiest.level(weight))
		r.add(name, measure.Reading{Value: v, Unit: "dBFS", Reference: scale, Weighting: weighting, Bandwidth: "20 Hz to 20 kHz", Definition: definition, Bound: bound})
		if len(t.channels) > 1 {
			r.in.Readings[len(r.in.Readings)-1].Channel = noisiest.channel
		}
		return v
	}
	band := func(f func(float64) float64) func(float64) float64 {
		return func(hz float64) float64 { return f(hz) * weighting.AudioBand(hz) }
	}
	floor := level("noise_floor_dbfs", "none", "lowest hump of the levels of 50 ms frames", weighting.AudioBand)
	level("noise_floor_a_dbfs", "A", "IEC 61672-1:2013", band(weighting.A))
	level("noise_floor_c_dbfs", "C", "IEC 61672-1:2013", band(weighting.C))
	level("noise_floor_bs468_dbfs", "BS.468 network, rms (not quasi-peak)", "Rec. ITU-R BS.468-4 Table 1", band(weighting.BS468))

	speech, seconds := speechLevel(t.levels.loudest, noisiest.pauses.levelDB)
	if seconds < 0.5 {
		reason := fmt.Sprintf("%.2g s of sound 10 dB over the noise; 0.5 s are needed", seconds)
		r.cannot("speech_level_dbfs", "dBFS", reason)
		r.cannot("speech_to_noise_db", "dB", reason)
		t.speech.report(r, t.levels.loudest, 0, reason)
		r.find(measure.Note, -1, -1, "no speech: "+reason, "if there is any, raise its level against the noise")
	} else {
		r.in.Events = append(r.in.Events, t.speech.report(r, t.levels.loudest, speech, "")...)
		r.add("speech_level_dbfs", measure.Reading{Value: speech, Unit: "dBFS", Reference: scale, Weighting: "none", Bandwidth: "above 80 Hz",
			Definition: "power mean of the 50 ms frames more than 10 dB over the noise, of the loudest channel in each (common practice, no source)"})
		snr := speech - floor
		r.add("speech_to_noise_db", measure.Reading{Value: snr, Unit: "dB", Reference: "noise_floor_dbfs", Weighting: "none", Definition: "speech_level_dbfs less noise_floor_dbfs"})
		if snr < 40 {
			r.find(measure.Doubt, -1, -1, fmt.Sprintf("speech is only %.0f dB over the noise (40 is usable, 50 good: common practice, no source)", snr),
				"go closer to the microphone, quieten the room, or expand by a few dB")
		}
	}
	noisiest.reportHum(r, floor)
}

// speechLevel is the power mean of the frames well over the noise, and how long
// they are together.
func speechLevel(levels []float64, noise float64) (db, seconds float64) {
	sum, count := 0.0, 0
	for _, l := range levels {
		if l > noise+10 {
			sum, count = sum+dsp.DBToPower(l), count+1
		}
	}
	if count == 0 {
		return 0, 0
	}
	return dsp.PowerToDB(sum / float64(count)), float64(count) * hopMs / 1000
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
