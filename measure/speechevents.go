package measure

import (
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
)

// speechEvents finds plosives (breath that hits the microphone as a thump) and
// sharp sibilants by two bands, on the hops of the take's levels. What counts is
// common practice, no source: it is against the level of the speech itself, so that
// the gain of the take does not matter.
type speechEvents struct {
	rate   int
	bands  [2]*dsp.Cascade // thump, sibilance
	work   dsp.Block
	sums   [2]float64
	hop    int
	filled int
	levels [2][]float64 // dBFS of each hop
}

const (
	thumpHz                       = 80 // a deep voice begins above
	sibilantLowHz, sibilantHighHz = 5000, 10000
	// A thump is within 3 dB of the level of speech, and most of what is there.
	thumpAgainstSpeechDB, thumpShareDB = -3, -3
	// An s is sharp where its band alone is louder than speech is as a whole.
	sibilantAgainstSpeechDB = 0
	mostThumpMs             = 250 // longer is rumble
	leastEventHops          = 2
)

func newSpeechEvents(rate int) speechEvents {
	fs := float64(rate)
	high := min(sibilantHighHz, 0.45*fs)
	s := speechEvents{rate: rate, work: dsp.NewBlock(1, 4096), hop: rate * hopMs / 1000}
	s.bands[0] = dsp.NewCascade(dsp.ButterworthLowPass(4, thumpHz, fs), 1)
	s.bands[1] = dsp.NewCascade(append(dsp.ButterworthHighPass(4, min(sibilantLowHz, high/1.2), fs), dsp.ButterworthLowPass(4, high, fs)...), 1)
	return s
}

// write takes the mean of the channels.
func (s *speechEvents) write(mix []float64) {
	for len(mix) > 0 {
		n := min(len(mix), s.hop-s.filled, cap(s.work[0]))
		for i, band := range s.bands {
			s.work[0] = s.work[0][:n]
			copy(s.work[0], mix[:n])
			band.Process(s.work)
			for _, v := range s.work[0] {
				s.sums[i] += v * v
			}
		}
		if s.filled += n; s.filled == s.hop {
			for i := range s.sums {
				s.levels[i] = append(s.levels[i], dsp.PowerToDB(max(1e-20, s.sums[i]/float64(s.hop))))
				s.sums[i] = 0
			}
			s.filled = 0
		}
		mix = mix[n:]
	}
}

// report finds the events; whole are the levels of 50 ms frames, a hop apart, above
// 80 Hz; reason says why there is no level of speech.
func (s *speechEvents) report(r *report, whole []float64, speechDB float64, reason string) []Event {
	events := append(s.find("plosive", s.levels[0], func(i int, level float64) bool {
		other := whole[min(i, len(whole)-1)]
		return level > speechDB+thumpAgainstSpeechDB && level > other+thumpShareDB
	}, mostThumpMs, reason, whole), s.find("sibilant", s.levels[1], func(_ int, level float64) bool {
		return level > speechDB+sibilantAgainstSpeechDB
	}, math.MaxInt, reason, whole)...)
	count := map[string]int{}
	first := map[string]Event{}
	for _, e := range events {
		if count[e.Kind]++; count[e.Kind] == 1 {
			first[e.Kind] = e
		}
	}
	for _, kind := range []struct{ name, reading, definition, do string }{
		{"plosive", "plosives", fmt.Sprintf("bursts below %d Hz of 50 to %d ms, within %d dB of the level of speech and most of what is there (common practice, no source)", thumpHz, mostThumpMs, -thumpAgainstSpeechDB), "speak past the microphone, or put a screen before it; a high-pass takes the rest"},
		{"sibilant", "sibilants", fmt.Sprintf("stretches of 50 ms and more in which %d to %d Hz alone is louder than speech as a whole (common practice, no source)", sibilantLowHz, sibilantHighHz), "turn the microphone a little aside, or use a de-esser"},
	} {
		r.add(kind.reading, Reading{Value: float64(count[kind.name]), Reason: reason, Unit: "events", Definition: kind.definition})
		if n := count[kind.name]; n > 0 {
			what := fmt.Sprintf("%d %ss", n, kind.name)
			if n == 1 {
				what = "1 " + kind.name
			}
			r.find(Note, first[kind.name].Frame, -1, what, kind.do)
		}
	}
	return events
}

// find joins hops that count to events.
func (s *speechEvents) find(kind string, levels []float64, counts func(i int, level float64) bool, mostMs int, reason string, whole []float64) []Event {
	if reason != "" || len(whole) == 0 {
		return nil
	}
	var events []Event
	begin, loudest := -1, math.Inf(-1)
	end := func(i int) {
		if hops := i - begin; begin >= 0 && hops >= leastEventHops && hops*hopMs <= mostMs {
			events = append(events, Event{kind, int64(begin * s.hop), int64(hops * s.hop), -1, loudest})
		}
		begin, loudest = -1, math.Inf(-1)
	}
	for i, level := range levels {
		if !counts(i, level) {
			end(i)
			continue
		}
		if begin < 0 {
			begin = i
		}
		loudest = max(loudest, level)
	}
	end(len(levels))
	return events
}
