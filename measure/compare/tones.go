package compare

import (
	"math"
	"slices"
	"sort"

	"github.com/boothbench/boothbench/dsp"
)

const (
	mostTones   = 5    // that are stated
	mostLines   = 20   // that are looked at
	mostHum     = 20   // multiples of the mains frequency
	mainsOff    = 0.01 // ratio, with the error of a line's frequency (common practice, no source)
	toneOverDB  = 15   // of a line over the median of the bins around it
	toneAround  = 24   // bins on either side that are looked at
	toneSteady  = 1.7  // mean square over squared mean of the power: 1 for a tone, 2 for noise
	toneBlocks  = 8
	toneLobe    = 2 // bins on either side that a line fills through a Hann window
	leastToneDB = -130
)

// toneDifferences are lines in the spectrum of the difference that stand there all the
// time: a tone that one of the sounds has and the other does not.
func (c *Comparison) toneDifferences() (all []Difference) {
	hum, mains, tones := c.lines()
	if len(hum) > 0 {
		power, hz := 0.0, 0.0
		var of side
		for _, t := range hum {
			power += t.power
			hz += t.power * t.hz / math.Round(t.hz/mains)
			of = side{of.sum + t.of.sum, of.squares + t.of.squares, of.byPower + t.of.byPower}
		}
		d := c.difference(Hum, dsp.PowerToDB(2*power), "dBFS")
		d.Hz, d.In, d.Count = hz/power, of.in(), int64(len(hum))
		all = append(all, d)
	}
	for _, t := range tones {
		d := c.difference(Tone, dsp.PowerToDB(2*t.power), "dBFS") // a sine's peak
		d.Hz, d.In = t.hz, t.of.in()
		all = append(all, d)
	}
	return all
}

// lines are the lines of mains hum, of which one is among the first three multiples of 50 or
// 60 Hz, and the strongest of the others.
func (c *Comparison) lines() (hum []spectralTone, mains float64, others []spectralTone) {
	all := c.spectrum.tones()
	for _, hz := range []float64{50, 60} {
		var own []spectralTone
		low := false
		for _, t := range all {
			if at := t.hz / hz; math.Abs(at-math.Round(at)) <= mainsOff*at && math.Round(at) >= 1 && math.Round(at) <= mostHum {
				own = append(own, t)
				low = low || at < 3.5
			}
		}
		if low && len(own) > len(hum) {
			hum, mains = own, hz
		}
	}
	for _, t := range all {
		if !slices.Contains(hum, t) && len(others) < mostTones {
			others = append(others, t)
		}
	}
	return hum, mains, others
}

// spectralTone is a line of the difference.
type spectralTone struct {
	hz, power float64 // mean square of one channel
	of        side
}

// tones are the strongest lines of the difference, strongest first.
func (b *bandComparison) tones() (all []spectralTone) {
	if b.blocks < toneBlocks {
		return nil
	}
	n := float64(b.blocks * len(b.x))
	around := make([]float64, 0, 2*toneAround)
	for k := toneLobe + 1; k < len(b.ee)-toneLobe-1; k++ {
		if b.ee[k] < b.ee[k-1] || b.ee[k] <= b.ee[k+1] {
			continue
		}
		if b.fourth[k]*n > toneSteady*b.ee[k]*b.ee[k] {
			continue
		}
		around = around[:0]
		for j := max(1, k-toneAround); j <= min(len(b.ee)-1, k+toneAround); j++ {
			if j < k-toneLobe-1 || j > k+toneLobe+1 {
				around = append(around, b.ee[j])
			}
		}
		sort.Float64s(around)
		floor := around[len(around)/2]
		if b.ee[k] < floor*dsp.DBToPower(toneOverDB) {
			continue
		}
		var sum, moment float64
		var of side
		for j := k - toneLobe; j <= k+toneLobe; j++ {
			e := max(0, b.ee[j]-floor)
			sum, moment = sum+e, moment+e*float64(j)
			of.add(b, j, e)
		}
		t := spectralTone{hz: moment / sum * float64(b.rate) / float64(b.length), power: sum / n, of: of}
		if t.power > dsp.DBToPower(leastToneDB) {
			all = append(all, t)
		}
	}
	sort.Slice(all, func(i, j int) bool { return all[i].power > all[j].power })
	return all[:min(len(all), mostLines)]
}
