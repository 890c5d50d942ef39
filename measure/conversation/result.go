package conversation

import (
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
)

// result arranges the readings.
func (m *measurement) result() *Conversation {
	c := &Conversation{Rate: m.rate}
	least, most := math.Inf(1), math.Inf(-1)
	for i, l := range m.mics {
		one := OfOne{Name: l.Name, Frames: l.frames, AloneSeconds: m.aloneSeconds(i)}
		lufs, ok := 0.0, false
		if one.Reason = m.noVoice(i); one.Reason == "" {
			if lufs, ok = m.voiceLUFS(i); !ok {
				one.Reason = "the voice is under the gate of -70 LUFS"
			}
		}
		if ok {
			one.LoudnessLUFS = &lufs
			least, most = min(least, lufs), max(most, lufs)
		}
		c.Microphones = append(c.Microphones, one)
	}
	voices := 0
	for _, one := range c.Microphones {
		if one.LoudnessLUFS != nil {
			voices++
		}
	}
	if voices > 1 {
		difference := most - least
		c.LevelDifferenceLU = &difference
	}
	for i := range m.mics {
		for j := range m.mics {
			if i != j {
				c.Paths = append(c.Paths, m.ways[i][j].path(i, j, m.rate))
			}
			if i < j {
				c.Pairs = append(c.Pairs, m.pair(i, j))
			}
		}
	}
	return c
}

// noVoice returns the reason that a microphone has no voice of its own.
func (m *measurement) noVoice(i int) string {
	if why := m.mics[i].unfit(); why != "" {
		return why
	}
	for j, other := range m.mics {
		if j == i || other.unfit() != "" { // a silent microphone does not affect the voice of another
			continue
		}
		if why := m.unfit(i, j); why != "" {
			return why
		}
	}
	if len(m.clear[i]) < leastAlone {
		return "no voice speaks alone in it for long enough"
	}
	return ""
}

func (w *way) path(i, j, rate int) Path {
	p := Path{Voice: i, Microphone: j, Reason: w.reason}
	if w.absent && !math.IsInf(w.atMost, 0) {
		most := dsp.PowerToDB(w.atMost)
		p.BleedAtMostDB = &most
	}
	if !w.measured {
		return p
	}
	bleed, off, delay, deviation, inverted := dsp.PowerToDB(w.bleed), dsp.PowerToDB(1+w.bleedDeviation), w.delay, measure.JSONValue(w.delayDeviation), w.inverted
	p.BleedDB, p.BleedDeviationDB, p.Inverted = &bleed, &off, &inverted
	if w.delayKnown(rate) {
		p.DelayFrames, p.DelayDeviationFrames = &delay, &deviation
	} else {
		p.Reason = fmt.Sprintf("the delay is uncertain by more than %g ms: a head moves, or the bleed is hardly over the noise", agreeMs)
	}
	return p
}

// delayKnown reports whether a delay is certain enough to be stated.
func (w *way) delayKnown(rate int) bool { return w.delayDeviation <= agreeMs*float64(rate)/1000 }

// noSharedSound states that nothing is known about two microphones, and what to do.
const noSharedSound = "delay, polarity and drift are undecided: no sound was found that both have; with a clap in both, at the beginning and at the end, you can align them by hand"

// thirdVoice returns the index of another microphone whose voice was measured in both of two
// microphones; −1: there is none.
func (m *measurement) thirdVoice(i, j int) int {
	for k := range m.mics {
		if k != i && k != j && m.ways[k][i].measured && m.ways[k][j].measured {
			return k
		}
	}
	return -1
}

// pair compares two microphones by the voices that both contain.
func (m *measurement) pair(i, j int) Pair {
	p := Pair{A: i, B: j}
	there, back := m.ways[i][j], m.ways[j][i]
	drift, deviation, inverted := there.drift, there.driftDeviation, there.inverted
	if !there.measured && !back.measured {
		k := m.thirdVoice(i, j)
		if k < 0 {
			if p.Reason = there.reason; there.absent && back.absent {
				p.Reason = noSharedSound
			}
			return p
		}
		a, b := m.ways[k][i], m.ways[k][j]
		drift, deviation, inverted = b.drift-a.drift, math.Hypot(a.driftDeviation, b.driftDeviation), a.inverted != b.inverted
		p.Reason = fmt.Sprintf("only the voice of %s is in both: the lengths of its paths and the offset cannot be separated", m.mics[k].Name)
	}
	switch {
	case p.Reason != "":
	case !there.measured:
		drift, deviation, inverted = -back.drift, back.driftDeviation, back.inverted
		p.Reason = "only one voice bleeds: its path and the offset cannot be separated"
	case back.measured:
		if there.delayKnown(m.rate) && back.delayKnown(m.rate) {
			offset, path := (there.delay-back.delay)/2, (there.delay+back.delay)/2
			p.OffsetFrames, p.PathFrames = &offset, &path
		}
		if there.inverted != back.inverted {
			p.Reason = "the voices do not agree on the polarity"
		}
	default:
		p.Reason = "only one voice bleeds: its path and the offset cannot be separated"
	}
	if drift, deviation = 1e6*drift, measure.JSONValue(1e6*deviation); !math.IsInf(deviation, 0) {
		p.DriftPPM, p.DriftDeviationPPM = &drift, &deviation
	} else if p.Reason == "" {
		p.Reason = "the drift is undecided: the voices speak alone for too short a time"
	}
	if !there.measured || !back.measured || there.inverted == back.inverted {
		p.Inverted = &inverted
	}
	return p
}
