package compare

import (
	"sort"

	"github.com/boothbench/boothbench/dsp"
)

const (
	mostTones   = 5
	toneOverDB  = 15  // of a line over the median of the bins around it
	toneAround  = 24  // bins on either side that are looked at
	toneSteady  = 1.7 // mean square over squared mean of the power: 1 for a tone, 2 for noise
	toneBlocks  = 8
	toneLobe    = 2 // bins on either side that a line fills through a Hann window
	leastToneDB = -130
)

// toneDifferences are lines in the spectrum of the difference that stand there all the
// time: a tone that one of the sounds has and the other does not.
func (c *Comparison) toneDifferences() (all []Difference) {
	for _, t := range c.spectrum.tones() {
		d := c.difference(Tone, dsp.PowerToDB(2*t.power), "dBFS") // a sine's peak
		d.Hz, d.In = t.hz, "B"
		if t.inA {
			d.In = "A"
		}
		all = append(all, d)
	}
	return all
}

// spectralTone is a line of the difference.
type spectralTone struct {
	hz, power float64 // mean square of one channel
	inA       bool
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
		var sum, moment, xx, yy float64
		for j := k - toneLobe; j <= k+toneLobe; j++ {
			e := max(0, b.ee[j]-floor)
			sum, moment = sum+e, moment+e*float64(j)
			xx, yy = xx+b.xx[j], yy+b.yy[j]
		}
		t := spectralTone{hz: moment / sum * float64(b.rate) / float64(b.length), power: sum / n, inA: xx > yy}
		if t.power > dsp.DBToPower(leastToneDB) {
			all = append(all, t)
		}
	}
	sort.Slice(all, func(i, j int) bool { return all[i].power > all[j].power })
	return all[:min(len(all), mostTones)]
}
