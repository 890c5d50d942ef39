package conversation

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
)

// result arranges what was measured.
func (m *measurement) result() *Conversation {
	c := &Conversation{Rate: m.rate}
	least, most := math.Inf(1), math.Inf(-1)
	for i, l := range m.mics {
		one := OfOne{Name: l.Name, Frames: l.frames, AloneSeconds: float64(len(m.alone[i])*windowFrames(m.rate)) / float64(m.rate)}
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
				c.Paths = append(c.Paths, m.ways[i][j].path(i, j))
			}
			if i < j {
				c.Pairs = append(c.Pairs, m.pair(i, j))
			}
		}
	}
	return c
}

// noVoice is why a microphone has no voice of its own.
func (m *measurement) noVoice(i int) string {
	for j := range m.mics {
		if j != i {
			if why := m.unfit(i, j); why != "" {
				return why
			}
		}
	}
	if len(m.alone[i]) < leastAlone {
		return "no voice speaks alone in it for long enough"
	}
	return ""
}

func (w *way) path(i, j int) Path {
	p := Path{Voice: i, Microphone: j, Reason: w.reason}
	if w.measured {
		bleed, delay, deviation, inverted := dsp.PowerToDB(w.bleed), w.delay, measure.JSONValue(w.known), w.inverted
		off := dsp.PowerToDB(1 + w.bleedDeviation)
		p.BleedDeviationDB = &off
		p.BleedDB, p.DelayFrames, p.DelayDeviationFrames, p.Inverted = &bleed, &delay, &deviation, &inverted
	}
	return p
}

// pair is what both voices say of their microphones.
func (m *measurement) pair(i, j int) Pair {
	p := Pair{A: i, B: j}
	there, back := m.ways[i][j], m.ways[j][i]
	if !there.measured && !back.measured {
		p.Reason = there.reason
		return p
	}
	drift, inverted := there.drift, there.inverted
	switch {
	case !there.measured:
		drift, inverted = -back.drift, back.inverted
		p.Reason = "one voice only bleeds: its path and the offset cannot be separated"
	case back.measured:
		offset, path := (there.delay-back.delay)/2, (there.delay+back.delay)/2
		p.OffsetFrames, p.PathFrames = &offset, &path
		if there.inverted != back.inverted {
			p.Reason = "the voices do not agree on the polarity"
		}
	default:
		p.Reason = "one voice only bleeds: its path and the offset cannot be separated"
	}
	drift *= 1e6
	p.DriftPPM = &drift
	if there.measured != back.measured || there.inverted == back.inverted {
		p.Inverted = &inverted
	}
	return p
}
