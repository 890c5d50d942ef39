package tune

import (
	"context"
	"fmt"
	"math"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/vector"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/take"
)

// takeAnalysis holds the readings of a take that the rules of a proposal use.
type takeAnalysis struct {
	name       string
	open       func() (wave.Source, error)
	format     wave.Format
	frames     int64
	inspection *take.Inspection
	tracks     *takeTracks
	spectra    *soundSample // feeds pitch and octaves
	pitch      *pitch
	loudness   *measure.Loudness
	octaves    *measure.ThirdOctaves
	peaks      []float64 // sample peaks, per channel
	low        *lowTrack // nil: not requested

	undecided string  // why no floor was found; "" where one was
	floorDBFS float64 // of the noisiest channel, 20 Hz to 20 kHz
	notchedDB float64 // by how much notches change noise.pauseDBFS; 0: the tracks were taken without notches
	variation float64
	seconds   float64 // of pauses
	noise     noiseReading
	lower     *noiseReading // of the parts with the lower one of two floors; nil: there is one floor
	speech    bool          // whether there is speech above the noise
	speechDB  float64       // level of the speech over the floor; −Inf where there is none
	active    activity
}

// analyseTake reads a take twice. With keepLow it keeps its low track for predicting the
// pauses.
func analyseTake(ctx context.Context, name string, open func() (wave.Source, error), watch func(wave.Source) wave.Source, keepLow bool) (*takeAnalysis, error) {
	a := &takeAnalysis{name: name, open: open}
	var failed error
	length := int64(0) // of the take; 0: not known
	in, err := take.InspectWith(ctx, func() (wave.Source, error) {
		src, err := open()
		if err != nil {
			return nil, err
		}
		if known, ok := src.(interface{ Frames() int64 }); ok {
			length = known.Frames()
		}
		return watch(src), nil
	}, func(f wave.Format) []func(dsp.Block) {
		a.format, a.tracks, a.pitch, a.octaves = f, newTakeTracks(f, length), newPitch(f), measure.NewThirdOctaves(f.Rate, f.Channels)
		a.peaks = make([]float64, f.Channels)
		if a.loudness, failed = measure.NewLoudness(measure.LoudnessSettings{Rate: f.Rate, Channels: f.Channels, ChannelMask: f.ChannelMask}); failed != nil {
			return nil
		}
		if keepLow {
			a.low = newLowTrack(f, length)
		}
		// All readers share one step: handing over a block takes longer than most of them do.
		a.spectra = newSoundSample(f.Rate, f.Channels, func(b dsp.Block) {
			a.pitch.write(b)
			a.octaves.Write(b)
		})
		return []func(dsp.Block){func(b dsp.Block) {
			a.frames += int64(b.Frames())
			for c, x := range b {
				a.peaks[c] = max(a.peaks[c], vector.Peak(x))
			}
			a.tracks.write(b)
			if a.low != nil {
				a.low.write(b)
			}
			a.loudness.Write(b)
			a.spectra.add(b)
		}}
	})
	if err != nil {
		return nil, err
	}
	if failed != nil {
		return nil, failed
	}
	a.inspection = in
	a.spectra.end()
	a.decide()
	a.active = activityOf(a.tracks.level, a.leastActive())
	a.tracks.peaks.use(a.tracks.level, a.active)
	return a, nil
}

// decide determines the noise from which the expander is set.
func (a *takeAnalysis) decide() {
	floors := a.inspection.Floors
	a.floorDBFS, a.noise.pauseDBFS, a.seconds, a.speechDB = math.Inf(-1), math.Inf(-1), math.Inf(1), math.Inf(-1)
	if len(floors) == 0 {
		a.undecided = "the take holds no sound that can be judged"
		return
	}
	for c, f := range floors {
		if a.whyIgnored(c) != "" {
			continue
		}
		if f.Undecided != "" {
			a.undecided, a.variation = f.Undecided, f.Variation
			return
		}
		a.floorDBFS, a.noise.pauseDBFS = max(a.floorDBFS, f.DBFS), max(a.noise.pauseDBFS, f.PauseDBFS)
		a.variation, a.seconds = max(a.variation, f.Variation), min(a.seconds, f.Seconds)
	}
	a.noise.levels = a.noiseLevels(a.isPause)
	var ok bool
	if a.noise.top, ok = noiseTop(a.noise.levels); !ok {
		a.undecided = "its pauses are too short for the expander's detector to settle in: record 10 s of room tone"
		return
	}
	a.readLower()
	if r, ok := a.inspection.Readings.Get("speech_to_noise_db"); ok && r.Measurable() {
		a.speech, a.speechDB = true, r.Value
	}
}

// isPause reports whether a frame is a pause in all channels that count.
func (a *takeAnalysis) isPause(i int) bool {
	for c, f := range a.inspection.Floors {
		if !f.IsPause(i) && a.whyIgnored(c) == "" {
			return false
		}
	}
	return true
}

// softChannelDB is by how much a channel's peak must lie below that of the loudest channel for
// its pauses not to count. The expander follows the loudest channel, and the other's sound then
// lies in its pauses. (own choice)
const softChannelDB = 30

// whyIgnored returns the reason that the pauses of a channel do not count; "" where they do.
func (a *takeAnalysis) whyIgnored(channel int) string {
	loudest := slices.Max(a.peaks)
	switch peak := a.peaks[channel]; {
	case peak == 0 && loudest > 0:
		return "is silent"
	case peak < loudest*dsp.DBToAmplitude(-softChannelDB):
		return fmt.Sprintf("peaks %.0f dB under the loudest one", dsp.AmplitudeToDB(loudest/peak))
	}
	return ""
}

// leastActive returns the lowest limit for active sound, in hundredths of a dB: the noise,
// where it is known.
func (a *takeAnalysis) leastActive() int16 {
	if a.undecided != "" {
		return quietest
	}
	return int16(max(quietest, min(10000, math.Round(100*(a.noise.top+wordOverNoiseDB)))))
}

// threshold returns the expander's threshold by its rule, in dBFS.
func (a *takeAnalysis) threshold() float64 {
	return max(a.noise.pauseDBFS+overFloorDB, a.noise.top+overNoiseDB)
}

// speaks reports whether speech was found.
func (a *takeAnalysis) speaks() bool { return a.undecided == "" && a.speech }

// leastRangeSeconds is the time of active moments that a range of loudness rests on. One or two
// words have a small range by chance, which is no sign of a compressor. (own choice)
const leastRangeSeconds = 3

// momentaryRange returns the distance in LU between usual and loud moments of the active sound:
// from the 40th to the 95th percentile of the momentary loudness (400 ms). A moment counts if
// at least half of it is active, and if it is less than 10 LU below the mean of these moments.
// That is the relative gate of Rec. ITU-R BS.1770-5 Annex 1, but not relative to the integrated
// loudness, whose absolute gate would make it depend on the gain of a soft take. So noise and
// pauses do not count, however long they are. Breaths have little effect, because they are
// among the softer moments. (own choice: the same speech with other pauses, with and without
// breaths, spans 5.2 to 5.3 LU; over all moments within 20 LU of the integrated loudness, from
// the 10th percentile on, it spans 9.8 to 20.6)
func (a *takeAnalysis) momentaryRange() (lu float64, ok bool) {
	const hopMs, windowHops, relativeGateLU = 100, 4, 10
	momentary, _ := a.loudness.Series()
	active := make([]int, len(momentary)) // active milliseconds in each hop
	for ms, v := range a.tracks.level[:min(len(a.tracks.level), hopMs*len(active))] {
		if v > a.active.over {
			active[ms/hopMs]++
		}
	}
	var counted []float64
	power := 0.0
	for hop := windowHops - 1; hop < len(momentary); hop++ {
		ms := 0
		for _, n := range active[hop-windowHops+1 : hop+1] {
			ms += n
		}
		if m := momentary[hop]; 2*ms >= windowHops*hopMs && m-m == 0 {
			counted, power = append(counted, m), power+dsp.DBToPower(m)
		}
	}
	gate := dsp.PowerToDB(power/float64(max(1, len(counted)))) - relativeGateLU
	counted = slices.DeleteFunc(counted, func(m float64) bool { return m <= gate })
	if len(counted)*hopMs < 1000*leastRangeSeconds {
		return 0, false
	}
	slices.Sort(counted)
	return counted[len(counted)*95/100] - counted[len(counted)*40/100], true
}

// inOrder sorts levels by counting: a take has many levels, but few different ones.
func inOrder(levels []int16) []int16 {
	counts := make([]int32, 1<<16)
	for _, v := range levels {
		counts[int(v)+1<<15]++
	}
	k := 0
	for i, n := range counts {
		for range n {
			levels[k] = int16(i - 1<<15)
			k++
		}
	}
	return levels
}

// quantile returns a quantile of sorted levels in hundredths of a dB, converted to dB.
func quantile(sorted []int16, share float64) float64 {
	if len(sorted) == 0 {
		return 0
	}
	return float64(sorted[min(len(sorted)-1, int(share*float64(len(sorted))))]) / 100
}
