package take

import (
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
)

// speechEvents are plosives (breath that hits the microphone as a thump) and
// sharp sibilants, found by two bands, on the hops of the take's levels. What counts is
// common practice, no source: it is against the level of the speech itself, so that
// the gain of the take does not matter.
type speechEvents struct {
	hop    int            // frames
	levels *[2]levelTrack // thump and sibilance of each hop, of the loudest channel
}

const (
	thumpHz                       = 80 // a deep voice begins above
	sibilantLowHz, sibilantHighHz = 5000, 10000
	// A thump is at most 3 dB below the level of the speech, and is most of the sound at
	// its time.
	thumpAgainstSpeechDB, thumpShareDB = -3, -3
	// An s is sharp where its band alone is louder than speech is as a whole.
	sibilantAgainstSpeechDB = 0
	mostThumpMs             = 250 // longer is rumble
	leastEventHops          = 2
)

// thump is the band of plosives. It excludes inaudible movements: drift, wind, an offset.
func thump(rate float64) []dsp.Biquad {
	return append(dsp.ButterworthHighPass(4, audibleHz, rate), dsp.ButterworthLowPass(4, thumpHz, rate)...)
}

// sibilance is the band of sharp sibilants.
func sibilance(rate float64) []dsp.Biquad {
	high := min(sibilantHighHz, 0.45*rate)
	return append(dsp.ButterworthHighPass(4, min(sibilantLowHz, high/1.2), rate), dsp.ButterworthLowPass(4, high, rate)...)
}

// report finds the events; whole are the levels of 50 ms frames, a hop apart, above
// 80 Hz; reason says why there is no level of speech.
func (s *speechEvents) report(r *report, whole *levelTrack, speechDB float64, reason string) eventList {
	var events eventList
	s.find(&events, "plosive", &s.levels[0], func(i int, level float64) bool {
		other := whole.db(min(i, whole.n-1))
		return level > speechDB+thumpAgainstSpeechDB && level > other+thumpShareDB
	}, mostThumpMs, reason, whole)
	s.find(&events, "sibilant", &s.levels[1], func(_ int, level float64) bool {
		return level > speechDB+sibilantAgainstSpeechDB
	}, math.MaxInt, reason, whole)
	for _, kind := range []struct{ name, reading, definition, do string }{
		{"plosive", "plosives", fmt.Sprintf("bursts from %d to %d Hz of %d to %d ms, within %d dB of the level of speech and most of what is there (common practice, no source)", audibleHz, thumpHz, leastEventHops*hopMs, mostThumpMs, -thumpAgainstSpeechDB), "speak past the microphone, or put a screen before it; a high-pass takes the rest"},
		{"sibilant", "sibilants", fmt.Sprintf("stretches of %d ms and more in which %d to %d Hz alone is louder than speech as a whole (common practice, no source)", leastEventHops*hopMs, sibilantLowHz, sibilantHighHz), "turn the microphone a little aside, or use a de-esser"},
	} {
		r.add(kind.reading, measure.Reading{Value: float64(events.counts[kind.name]), Reason: reason, Unit: "events", Definition: kind.definition})
		if n := events.counts[kind.name]; n > 0 {
			what := fmt.Sprintf("%d %ss", n, kind.name)
			if n == 1 {
				what = "1 " + kind.name
			}
			r.find(measure.Note, events.first[kind.name].Frame, -1, what, kind.do)
		}
	}
	return events
}

// find joins adjacent hops that count into events.
func (s *speechEvents) find(events *eventList, kind string, levels *levelTrack, counts func(i int, level float64) bool, mostMs int, reason string, whole *levelTrack) {
	if reason != "" || whole.n == 0 {
		return
	}
	begin, loudest := -1, math.Inf(-1)
	end := func(i int) {
		if hops := i - begin; begin >= 0 && hops >= leastEventHops && hops*hopMs <= mostMs {
			events.add(Event{kind, int64(begin * s.hop), int64(hops * s.hop), -1, loudest})
		}
		begin, loudest = -1, math.Inf(-1)
	}
	for i := range levels.n {
		level := levels.db(i)
		if !counts(i, level) {
			end(i)
			continue
		}
		if begin < 0 {
			begin = i
		}
		loudest = max(loudest, level)
	}
	end(levels.n)
}
