package instrument

import (
	"fmt"
	"math"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/stimulus"
)

const (
	// endBlocks is the number of blocks at a tone's end whose median is its final level: noise
	// in one or two of them does not change it. (own choice)
	endBlocks = 5
	// clearOfScatter is how many times the typical difference of adjacent blocks a change of
	// gain must be, so that noise does not count as one. (own choice)
	clearOfScatter = 4
)

// MovingGain finds a tone whose gain changes while it sounds. It serves for devices that are
// run: their responses have no marks around the tone that would show the change. The response
// to any other signal gives no finding.
func MovingGain(s stimulus.Signal, rate int, response Response) (found []measure.Finding, err error) {
	tone, is := s.(stimulus.Tone)
	if !is {
		return nil, nil
	}
	length := max(rate*toneBlockMs/1000, int(math.Ceil(leastCycles*float64(rate)/tone.Hz)))
	err = eachPlane(response, func(c int, x []float64) error {
		channel := -1
		if response.Channels() > 1 {
			channel = c
		}
		if tone.Only > 0 && response.Channels() > 1 && c != tone.Only-1 {
			return nil
		}
		first, last, moves := gainFromTo(levelsOf(x, length, tone.Hz/float64(rate)))
		if moves {
			found = append(found, measure.Finding{
				Severity: measure.Fault, Frame: -1, Channel: channel,
				What: fmt.Sprintf("the gain is %+.1f dB at the beginning of the tone and %+.1f dB at its end"+followsLevel+", or moves by itself", dsp.AmplitudeToDB(first)-tone.PeakDBFS, dsp.AmplitudeToDB(last)-tone.PeakDBFS),
				Do:   "switch automatic gain, compressors and limiters of the device off, or measure them as such (stepped-tone, level-step): gain, noise and distortion here are not those of a fixed gain",
			})
		}
		return nil
	})
	return found, err
}

// levelsOf are the levels of a tone, block by block; turns is its frequency in turns per frame.
func levelsOf(x []float64, length int, turns float64) (levels []float64) {
	for at := 0; at+length <= len(x); at += length {
		if v := blockOf(x[at:at+length], at, turns).level; v-v == 0 {
			levels = append(levels, v)
		}
	}
	return levels
}

// gainFromTo is the level of a tone at its beginning and at its end, and whether they differ by
// more than noise explains.
func gainFromTo(levels []float64) (first, last float64, moves bool) {
	if len(levels) == 0 {
		return 0, 0, false
	}
	sorted := slices.Sorted(slices.Values(levels))
	least := sorted[len(sorted)*3/4] / 4 // the silence before and after the tone is below this
	from := slices.IndexFunc(levels, func(v float64) bool { return v > least })
	to := len(levels)
	for to > from && levels[to-1] <= least {
		to--
	}
	// Skips the fades and the blocks that hold half of one.
	from, to = from+2, to-2
	if least <= 0 || to-from < 2*endBlocks {
		return 0, 0, false
	}
	levels = levels[from:to]
	var apart []float64
	for i, v := range levels[1:] {
		apart = append(apart, math.Abs(v-levels[i]))
	}
	slices.Sort(apart)
	end := slices.Sorted(slices.Values(levels[len(levels)-endBlocks:]))
	first, last = levels[0], end[endBlocks/2]
	moves = math.Abs(dsp.AmplitudeToDB(first/last)) > contradictionDB && math.Abs(first-last) > clearOfScatter*apart[len(apart)/2]
	return first, last, moves
}
