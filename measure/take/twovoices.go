package take

import (
	"fmt"
	"math"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
)

// Speech at two levels: spurts of half a second and more fall into two groups whose
// means lie 6 dB apart and more, and 3.5 times as far as the spurts of a group lie from
// their mean (the halves of one normal distribution lie 2.7 times as far); each has a
// fifth of the speech. (own choice)
const (
	leastSpurtMs, mostGapMs = 500, 200
	twoVoicesDB             = 6
	twoVoicesDeviations     = 3.5
	leastVoiceShare         = 0.2
)

// spurt is a stretch of speech.
type spurt struct {
	first, frames int // of 50 ms, a hop apart
	db            float64
}

// spurts are the stretches in which somebody speaks.
func (t *take) spurts(floors []*floor) (all []spurt) {
	begin, last := -1, 0
	sum, count := 0.0, 0
	end := func() {
		if begin >= 0 && (last-begin+1)*hopMs >= leastSpurtMs {
			all = append(all, spurt{begin, last - begin + 1, dsp.PowerToDB(sum / float64(count))})
		}
		begin, sum, count = -1, 0, 0
	}
	for i := range t.levels.voice().n {
		if !t.anySpeaks(floors, i) {
			if begin >= 0 && (i-last)*hopMs > mostGapMs {
				end()
			}
			continue
		}
		if begin < 0 {
			begin = i
		}
		last, sum, count = i, sum+dsp.DBToPower(t.levels.voice().db(i)), count+1
	}
	end()
	return all
}

// twoVoices divides spurts into two groups by their level, if they are two: the levels
// of both in dBFS, the lower first, and the first spurt of the lower.
func twoVoices(all []spurt) (low, high float64, first spurt, ok bool) {
	if len(all) < 4 {
		return 0, 0, spurt{}, false
	}
	sorted := slices.Clone(all)
	slices.SortFunc(sorted, func(a, b spurt) int { return int(math.Copysign(1, a.db-b.db)) })
	// The division with the least variance within the groups.
	best, least := 0, math.Inf(1)
	var lower, upper moments
	for _, v := range sorted {
		upper.add(v, 1)
	}
	for k := 1; k < len(sorted); k++ {
		lower.add(sorted[k-1], 1)
		upper.add(sorted[k-1], -1)
		if v := lower.variance() + upper.variance(); v < least {
			best, least = k, v
		}
	}
	below, above := sorted[:best], sorted[best:]
	total := duration(sorted)
	apart := mean(above) - mean(below)
	if apart < twoVoicesDB || apart < twoVoicesDeviations*math.Sqrt(least/total) || min(duration(below), duration(above)) < leastVoiceShare*total {
		return 0, 0, spurt{}, false
	}
	first = slices.MinFunc(below, func(a, b spurt) int { return a.first - b.first })
	return power(below), power(above), first, true
}

func duration(s []spurt) (sum float64) {
	for _, v := range s {
		sum += float64(v.frames)
	}
	return sum
}

func mean(s []spurt) (sum float64) {
	for _, v := range s {
		sum += v.db * float64(v.frames)
	}
	return sum / duration(s)
}

// moments are the sums of weights, levels and squared levels of spurts.
type moments struct{ weight, sum, squares float64 }

func (m *moments) add(s spurt, sign float64) {
	w := sign * float64(s.frames)
	m.weight += w
	m.sum += w * s.db
	m.squares += w * s.db * s.db
}

// variance is the sum of the squared distances from the mean.
func (m *moments) variance() float64 { return max(0, m.squares-m.sum*m.sum/m.weight) }

// power is the mean level, by power.
func power(s []spurt) float64 {
	sum := 0.0
	for _, v := range s {
		sum += dsp.DBToPower(v.db) * float64(v.frames)
	}
	return dsp.PowerToDB(sum / duration(s))
}

// reportTwoVoices states that speech has two levels.
func (t *take) reportTwoVoices(r *report, floors []*floor) {
	low, high, first, ok := twoVoices(t.spurts(floors))
	if !ok {
		return
	}
	one := func(name string, value float64) {
		r.add(name, measure.Reading{Value: value, Unit: "dBFS", Reference: rmsScale, Weighting: "none", Bandwidth: voiceBandwidth, Definition: "mean level of the softer or the louder half of the speech, where its stretches fall into two groups"})
	}
	one("softer_speech_dbfs", low)
	one("louder_speech_dbfs", high)
	r.find(measure.Warning, t.frameOf(first.first), -1, fmt.Sprintf("speech at two levels: %.1f and %.1f dBFS-rms", high, low), "bring them to one level before a compressor, which does not even out such a difference")
}
