package instrument

import (
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
)

// GainTrace is a gain in dB, frame by frame, while the level of the sound goes up
// at one frame and down again at a later one.
type GainTrace struct {
	RateHz   int
	GainDB   []float64
	Up, Down int
	Half     int // frames that each gain is read from; 0: one
}

// beginsShare is the share of a change after which the gain has begun to move. It
// makes a time constant read 0.1 % short.
const beginsShare = 0.001

// leastStepDB is the least change of gain that has times.
const leastStepDB = 0.2

// The definitions of a time from one gain to another. All three are in use, and a
// data sheet seldom says which: 2.3 time constants go from 0 to 90 %, 2.2 from 10
// to 90 %. (common practice, no source; "within 2 dB of final": IEC 60268-8)
const (
	constantText = "from where the gain has changed by 0.1 % to where it has by 63.2 % (1 − 1/e), in dB"
	tenNinetText = "from 10 % to 90 % of the change in dB"
	within2Text  = "from the change of level to where the gain comes within 2 dB of its last value"
	beginsText   = "from the change of level to where the gain has changed by 0.1 %; below 0 the gain moves ahead of the sound: look-ahead"
)

// Readings are attack_ms, attack_10_90_ms, attack_within_2db_ms, attack_begins_ms
// and attack_change_db for the step up; release_… for the step down, where
// release_begins_ms is the hold; and step_overshoot_db, by how much the level is
// over its last value after the step up.
func (t GainTrace) Readings() measure.Readings {
	var r measure.Readings
	during := t.Down - t.Up
	before := t.mean(t.Up/2, t.Up*9/10)
	high := t.mean(t.Up+during*8/10, t.Up+during*95/100)
	after := t.mean(t.Down+(len(t.GainDB)-t.Down)*8/10, t.Down+(len(t.GainDB)-t.Down)*95/100)
	t.addTimes(&r, "attack", t.Up, t.Up-(t.Up-t.Up*9/10), t.Down, before, high)
	t.addTimes(&r, "release", t.Down, t.Up+during*95/100, len(t.GainDB), high, after)
	over := measure.Reading{Unit: "dB", Reference: "the level at the end of the step", Definition: "largest gain after the step up over the gain at its end"}
	for n, g := range t.GainDB[t.Up:t.Down] {
		if g-high <= over.Value {
			continue
		}
		over.Value, over.Bound = g-high, ""
		// Each gain is that of half a period, in which it falls.
		if next := t.Up + n + t.Half; t.Half > 0 && next < t.Down && g-t.GainDB[next] >= leastStatedDB {
			over.Bound = fmt.Sprintf("±%.2g dB, what the gain falls by in the half period that it is read from", g-t.GainDB[next])
		}
	}
	over.Reason = noGain(high)
	r.Add("step_overshoot_db", over)
	return r
}

// noGain is why a gain has no value, "" if it has one.
func noGain(db float64) string {
	if db-db != 0 {
		return "where the gain would be read, nothing comes out or nothing went in"
	}
	return ""
}

func (t GainTrace) mean(from, to int) float64 {
	sum := 0.0
	for _, g := range t.GainDB[from:to] {
		sum += g
	}
	return sum / float64(to-from)
}

// addTimes adds the times of a change of gain from one value to another, after a
// step of level at a frame; the gain is looked at from one frame to another.
func (t GainTrace) addTimes(r *measure.Readings, name string, step, from, to int, first, last float64) {
	change := last - first
	reason := noGain(change)
	why := reason
	if reason == "" && !(math.Abs(change) >= leastStepDB) {
		reason = fmt.Sprintf("the gain changes by %.2f dB only; at least %g dB are needed", math.Abs(change), leastStepDB)
	}
	at := func(share, noise float64) passing {
		if reason != "" {
			return passing{}
		}
		p, found := t.passing(first, change, share, 4*noise/math.Abs(change), from, to)
		if !found {
			reason = "the gain does not arrive within the step"
		}
		p.frames -= float64(step)
		return p
	}
	ms := func(frames float64) float64 { return frames * 1000 / float64(t.RateHz) }
	before, behind := t.noise(from, step), t.noise(to-(to-step)/5, to)
	// In noise a change is seen once it exceeds five standard deviations.
	share := max(beginsShare, 5*max(before, behind)/math.Abs(change))
	begins, within2 := passing{}, passing{}
	if reason == "" {
		if at, found := t.begins(first, change, share, from, to); found {
			begins = passing{at - float64(step), 0}
		} else {
			reason = "the gain does not arrive within the step"
		}
	}
	constant := at(1-1/math.E, behind).less(begins)
	if share > beginsShare {
		// What came before is taken for the start of an exponential. That of a straight
		// line is longer by 1/(1 − 1/e).
		missed := constant.frames * (share - beginsShare) / (1 - share)
		constant.frames += missed
		constant.off += missed // and two standard deviations of where the noise let it begin
		begins.frames -= missed
		begins.off += missed
	}
	if math.Abs(change) > 2 {
		within2 = at(1-2/math.Abs(change), behind)
	}
	times := []struct {
		name, text string
		passing
	}{
		{"_ms", constantText, constant},
		{"_10_90_ms", tenNinetText, at(0.9, behind).less(at(0.1, behind))},
		{"_within_2db_ms", within2Text, within2},
		{"_begins_ms", beginsText, begins},
	}
	for _, x := range times {
		about := measure.Reading{Value: ms(x.frames), Unit: "ms", Reason: reason, Definition: x.text}
		if x.name == "_within_2db_ms" && reason == "" && math.Abs(change) <= 2 {
			about.Reason = fmt.Sprintf("the whole change is %.2f dB", math.Abs(change))
		}
		off := 0.0
		if t.Half > 0 {
			off = math.Hypot(math.Hypot(x.off, float64(t.Half)/2), recordedShare*x.frames)
		}
		if off >= leastStatedFrames && about.Reason == "" {
			about.Bound = fmt.Sprintf("±%.2g ms: noise, the half period that each gain is read from, and 1.5 %% of the time", ms(off))
		}
		r.Add(name+x.name, about)
	}
	r.Add(name+"_change_db", measure.Reading{Value: change, Reason: why, Unit: "dB", Definition: "gain at the end less gain before the step"})
}

// passing is where a gain passes a share of its change, in frames, and by how much that
// may be off.
type passing struct{ frames, off float64 }

// less is the time from one passing to another.
func (p passing) less(begin passing) passing {
	return passing{p.frames - begin.frames, math.Hypot(p.off, begin.off)}
}

// recordedShare is by how much a time may be off as a share of it: of simulated devices'
// release times the largest error that neither noise nor the half period explains was 1 %.
const recordedShare = 0.015

// leastStatedFrames is the least uncertainty of a time that is worth a word.
const leastStatedFrames = 0.5

// passing finds where the gain passes a share of a change. Noise may take it across
// several times, until it is over the share by a margin: then the middle of the first
// and the last time is meant, and off by half of what the margin takes.
func (t GainTrace) passing(gain, change, share, margin float64, from, to int) (p passing, found bool) {
	var first, last float64
	for n := from + 1; n < to; n++ {
		a, b := (t.GainDB[n-1]-gain)/change-share, (t.GainDB[n]-gain)/change-share
		if a < 0 && b >= 0 {
			last = float64(n) - b/(b-a)
			if !found {
				first, found = last, true
			}
		}
		if found && b > margin {
			return passing{(first + last) / 2, (float64(n) - first) / 2}, true
		}
	}
	return passing{(first + last) / 2, (last - first) / 2}, found
}

// begunShare is the share of a change that nothing but the change itself reaches: what a
// converter's filter rings beside a step of level falls back before it.
const begunShare = 0.1

// begins finds where the gain passes a share of a change for good, in frames.
func (t GainTrace) begins(gain, change, share float64, from, to int) (at float64, found bool) {
	begun := max(begunShare, 2*share)
	for n := from + 1; n < to; n++ {
		a, b := (t.GainDB[n-1]-gain)/change-share, (t.GainDB[n]-gain)/change-share
		if a < 0 && b >= 0 {
			at, found = float64(n)-b/(b-a), true
		}
		if found && b >= begun-share && n-int(at) > t.Half {
			return at, true
		}
	}
	return at, found
}

// noise is the standard deviation of the gain over a stretch, without what changes
// slowly: of the differences between values so far apart that their windows do not
// overlap, half a millisecond.
func (t GainTrace) noise(from, to int) float64 {
	apart := dsp.Frames(0.5, t.RateHz)
	sum, values := 0.0, 0.0
	for n := max(0, from); n+2*apart < min(to, len(t.GainDB)); n++ {
		bend := t.GainDB[n] - 2*t.GainDB[n+apart] + t.GainDB[n+2*apart]
		sum, values = sum+bend*bend, values+1
	}
	return math.Sqrt(sum / 6 / max(1, values)) // 1 + 4 + 1 variances
}

// Table is the gain over time, from the step up: every frame for 10 ms around the
// steps, every millisecond elsewhere.
func (t GainTrace) Table() measure.Table {
	table := measure.Table{Columns: []string{"time_ms", "gain_db"}}
	near, coarse := dsp.Frames(10, t.RateHz), max(1, dsp.Frames(1, t.RateHz))
	for n, g := range t.GainDB {
		if n%coarse == 0 || abs(n-t.Up) <= near || abs(n-t.Down) <= near {
			table.Rows = append(table.Rows, []float64{float64(n-t.Up) * 1000 / float64(t.RateHz), g})
		}
	}
	return table
}

func abs(n int) int { return max(n, -n) }
