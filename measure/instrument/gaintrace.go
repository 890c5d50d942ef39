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
	for _, g := range t.GainDB[t.Up:t.Down] {
		over.Value = max(over.Value, g-high)
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
	at := func(share float64) float64 { // frames from the step to where the gain first crosses it
		if reason != "" {
			return 0
		}
		for n := from + 1; n < to; n++ {
			a, b := (t.GainDB[n-1]-first)/change-share, (t.GainDB[n]-first)/change-share
			if a < 0 && b >= 0 {
				return float64(n-step) - b/(b-a)
			}
		}
		reason = "the gain does not arrive within the step"
		return 0
	}
	ms := func(frames float64) float64 { return frames * 1000 / float64(t.RateHz) }
	begins, within2 := at(beginsShare), 0.0
	if math.Abs(change) > 2 {
		within2 = at(1 - 2/math.Abs(change))
	}
	times := []struct {
		name, text string
		frames     float64
	}{
		{"_ms", constantText, at(1-1/math.E) - begins},
		{"_10_90_ms", tenNinetText, at(0.9) - at(0.1)},
		{"_within_2db_ms", within2Text, within2},
		{"_begins_ms", beginsText, begins},
	}
	for _, x := range times {
		about := measure.Reading{Value: ms(x.frames), Unit: "ms", Reason: reason, Definition: x.text}
		if x.name == "_within_2db_ms" && reason == "" && math.Abs(change) <= 2 {
			about.Reason = fmt.Sprintf("the whole change is %.2f dB", math.Abs(change))
		}
		r.Add(name+x.name, about)
	}
	r.Add(name+"_change_db", measure.Reading{Value: change, Reason: why, Unit: "dB", Definition: "gain at the end less gain before the step"})
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
