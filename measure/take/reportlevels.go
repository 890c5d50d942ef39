package take

import (
	"fmt"
	"math"
	"strings"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/weighting"
)

const rmsScale = "mathematical rms against digital full scale (a full-scale sine is -3.01)"

// Where levels are read, and how the noise floor is.
var (
	voiceBandwidth  = fmt.Sprintf("above %d Hz", voiceHighPassHz)
	floorDefinition = fmt.Sprintf("level of the frames of %d ms in the lowest peak of the distribution of levels above %d Hz", frameMs, PauseHighPassHz)
)

// leastSpeechSeconds is how long sound above the noise has to last to have a speech
// level.
const leastSpeechSeconds = 0.5

// reportLevels states noise and speech.
func (t *take) reportLevels(r *report, floors []*floor) {
	var noisiest *floor
	for _, f := range floors {
		if f.undecided == "" && (noisiest == nil || f.db() > noisiest.db()) {
			noisiest = f
		}
	}
	if noisiest == nil {
		t.reportUndecided(r, floors)
		return
	}
	n := noisiest.noise
	rho := n.steady.rho()
	bound := fmt.Sprintf("from %.1f s of pauses", n.pauses.seconds())
	if len(floors) > 1 {
		bound += fmt.Sprintf("; channel %d, the noisiest", noisiest.channel+1)
	}
	if rho > steadyRho {
		bound += fmt.Sprintf("; uncertain: it changes %.1f times as much as steady noise", rho)
	}
	level := func(name, weighting, definition string, value float64) {
		r.add(name, measure.Reading{Value: value, Unit: "dBFS", Reference: rmsScale, Weighting: weighting, Bandwidth: "20 Hz to 20 kHz", Definition: definition, Bound: bound})
		if len(floors) > 1 {
			r.in.Readings[len(r.in.Readings)-1].Channel = noisiest.channel
		}
	}
	level("noise_floor_dbfs", "none", floorDefinition, noisiest.db())
	level("noise_floor_a_dbfs", "A", "IEC 61672-1:2013", noisiest.weighted(weighting.A))
	level("noise_floor_c_dbfs", "C", "IEC 61672-1:2013", noisiest.weighted(weighting.C))
	level("noise_floor_bs468_dbfs", "BS.468 network, rms (not quasi-peak)", "Rec. ITU-R BS.468-4 Table 1", noisiest.weighted(weighting.BS468))
	r.add("pauses_ms", measure.Reading{Value: 1000 * n.pauses.seconds(), Unit: "ms", Definition: fmt.Sprintf("frames of %d ms, every %d ms, that hold nothing but the noise: %[2]d ms each", frameMs, hopMs)})
	r.add("noise_variation", measure.Reading{Value: rho, Reference: fmt.Sprintf("1: steady noise; over %d: uncertain; over %d: not the noise of a room", steadyRho, mostRho), Definition: fmt.Sprintf("median over the octaves from 200 Hz to 6.4 kHz of how much the level of %d ms frames varies, over how much that of steady Gaussian noise does (own statistic)", frameMs)})
	t.reportTwoFloors(r, noisiest)
	t.reportSteadySound(r, noisiest)

	speech, seconds := t.speechLevel(floors)
	if seconds < leastSpeechSeconds {
		reason := fmt.Sprintf("%.2g s of sound %d dB over the noise; %g s are needed", seconds, overNoiseDB, leastSpeechSeconds)
		r.cannot("speech_level_dbfs", "dBFS", reason)
		r.cannot("speech_to_noise_db", "dB", reason)
		t.speech.report(r, t.levels.voice(), 0, reason)
		r.find(measure.Note, -1, -1, "no speech: "+reason, "if there is any, raise its level against the noise")
	} else {
		events := t.speech.report(r, t.levels.voice(), speech, "")
		r.in.Events, r.in.EventCount = append(r.in.Events, events.sorted()...), r.in.EventCount+events.total()
		r.add("speech_level_dbfs", measure.Reading{Value: speech, Unit: "dBFS", Reference: rmsScale, Weighting: "none", Bandwidth: voiceBandwidth,
			Definition: fmt.Sprintf("power mean of the %d ms frames more than %d dB over the noise, of the loudest channel in each (common practice, no source)", frameMs, overNoiseDB)})
		snr := speech - noisiest.db()
		r.add("speech_to_noise_db", measure.Reading{Value: snr, Unit: "dB", Reference: "noise_floor_dbfs", Weighting: "none", Definition: "speech_level_dbfs less noise_floor_dbfs"})
		if snr < usableSpeechDB {
			r.find(measure.Warning, -1, -1, "speech is only "+under(snr, usableSpeechDB)+" dB over the noise (40 is usable, 50 good: common practice, no source)", n.quieten(noisiest.db()))
		}
		t.reportTwoVoices(r, floors)
	}
	if len(floors) > 1 {
		t.reportEachChannel(r, floors)
	}
	n.reportHum(r, noisiest.db())
}

// usableSpeechDB is the speech-to-noise ratio that is usable. (common practice, no
// source)
const usableSpeechDB = 40

// under prints a value that is below a limit so that rounding does not make it equal to
// the limit.
func under(value, limit float64) string {
	if math.Round(value) < limit {
		return fmt.Sprintf("%.0f", value)
	}
	return fmt.Sprintf("%.1f", math.Floor(10*value)/10)
}

// quieten is the advice against the noise: against hum where hum is most of it.
func (n *noiseSpectrum) quieten(floor float64) string {
	if h, reason := n.mains(); reason == "" && dsp.PowerToDB(h.power) > floor-3 {
		return "most of the noise is hum: find the ground loop or the transformer, or notch its lines"
	}
	return "go closer to the microphone, quieten the room, or expand by a few dB"
}

// reportUndecided states why there is no floor.
func (t *take) reportUndecided(r *report, floors []*floor) {
	reason := floors[0].undecided
	for _, name := range []string{"noise_floor_dbfs", "noise_floor_a_dbfs", "noise_floor_c_dbfs", "noise_floor_bs468_dbfs", "speech_level_dbfs"} {
		r.cannot(name, "dBFS", reason)
	}
	r.cannot("speech_to_noise_db", "dB", reason)
	r.cannot("hum_hz", "Hz", reason)
	r.cannot("hum_level_dbfs", "dBFS", reason)
	t.speech.report(r, t.levels.voice(), 0, reason)
	r.find(measure.Warning, -1, -1, "the noise floor is undecided: "+reason, "leave room tone at the head of each take")
}

// reportTwoFloors reports where the noise of a channel changes.
func (t *take) reportTwoFloors(r *report, f *floor) {
	if f.lower == nil {
		return
	}
	lower := dsp.PowerToDB(f.lower.unweighted())
	r.add("lower_noise_floor_dbfs", measure.Reading{Value: lower, Unit: "dBFS", Reference: rmsScale, Weighting: "none", Bandwidth: "20 Hz to 20 kHz", Definition: fmt.Sprintf("noise of the take where it is lowest, if it has two floors more than %d dB apart: something is switched on for a part of the time", secondFloorDB)})
	times := t.higherTimes(f)
	r.add("higher_noise_share", measure.Reading{Value: f.higher.share, Definition: "share of the time in which the take has the higher one of two noise floors, noise_floor_dbfs; the lower one is lower_noise_floor_dbfs"})
	r.find(measure.Warning, times[0][0], f.channel, fmt.Sprintf("two noise floors: %.1f dBFS-rms, and %.1f dBFS-rms %s", lower, f.db(), HigherText(times, f.higher.share, t.format.Rate)),
		"find what was switched on; treat the parts separately, or set the chain for the louder one")
}

// HigherText states when a take has the higher one of two floors, and for what share of the
// time.
func HigherText(times [][2]int64, share float64, rate int) string {
	const most = 3
	var text strings.Builder
	for k, s := range times[:min(len(times), most)] {
		if k > 0 {
			text.WriteString(", ")
		}
		fmt.Fprintf(&text, "from %s to %s", measure.TimeCode(s[0], rate), measure.TimeCode(s[1], rate))
	}
	if more := len(times) - most; more > 0 {
		fmt.Fprintf(&text, ", and %s more", dsp.Plural(more, "time"))
	}
	fmt.Fprintf(&text, " (%.0f %% of the time)", 100*share)
	return text.String()
}

// higherTimes are the stretches of the higher floor in frames.
func (t *take) higherTimes(f *floor) (all [][2]int64) {
	for _, s := range f.higher.times {
		all = append(all, [2]int64{t.frameOf(s.from), t.frameOf(s.to)})
	}
	return all
}

// frameOf is the frame of the file with which a frame of 50 ms begins.
func (t *take) frameOf(i int) int64 { return int64(i) * int64(hopOf(t.format.Rate)) }

// reportEachChannel states floor and speech level of each.
func (t *take) reportEachChannel(r *report, floors []*floor) {
	for _, f := range floors {
		noise := measure.Reading{Unit: "dBFS", Reason: f.undecided, Reference: rmsScale, Weighting: "none", Bandwidth: "20 Hz to 20 kHz", Definition: "noise of this channel in its own pauses"}
		speech := measure.Reading{Unit: "dBFS", Reason: f.undecided, Reference: rmsScale, Weighting: "none", Bandwidth: voiceBandwidth, Definition: fmt.Sprintf("power mean of the %d ms frames of this channel more than %d dB over its own noise; speech_level_dbfs without a channel takes the loudest channel of each frame", frameMs, overNoiseDB)}
		if f.undecided == "" {
			noise.Value = f.db()
			var seconds float64
			speech.Value, seconds = t.meanLevel(&t.levels.voices[f.channel], func(i int) bool { return t.speaks(f, i) })
			if seconds < leastSpeechSeconds {
				speech.Value, speech.Reason = 0, fmt.Sprintf("%.2g s of sound %d dB over the noise; %g s are needed", seconds, overNoiseDB, leastSpeechSeconds)
			}
		}
		r.addFor(f.channel, "noise_floor_dbfs", noise)
		r.addFor(f.channel, "speech_level_dbfs", speech)
	}
}

// overNoiseDB is how far over the noise a frame is counted as speech.
const overNoiseDB = 10

// speaks reports whether a frame of a channel is well over its noise.
func (t *take) speaks(f *floor, i int) bool {
	return f.undecided == "" && t.levels.pause[f.channel].db(i) > f.noise.pauses.levelDB+overNoiseDB
}

// speechLevel is the power mean of the frames in which any channel is well over its
// noise, and how long they are together.
func (t *take) speechLevel(floors []*floor) (db, seconds float64) {
	return t.meanLevel(t.levels.voice(), func(i int) bool { return t.anySpeaks(floors, i) })
}

func (t *take) anySpeaks(floors []*floor, i int) bool {
	for _, f := range floors {
		if t.speaks(f, i) {
			return true
		}
	}
	return false
}

func (t *take) meanLevel(track *levelTrack, counts func(i int) bool) (db, seconds float64) {
	sum, count := 0.0, 0
	for i := range track.n {
		if counts(i) {
			sum, count = sum+dsp.DBToPower(track.db(i)), count+1
		}
	}
	if count == 0 {
		return 0, 0
	}
	return dsp.PowerToDB(sum / float64(count)), float64(count) * hopMs / 1000
}
