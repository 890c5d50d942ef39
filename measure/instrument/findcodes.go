package instrument

import (
	"math"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/internal/timemap"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// FoundCode is a mark in a recording and the code after it.
type FoundCode struct {
	Channel  int // of the recording, from 0
	Frame    int // of the mark's first sample
	Code     uint32
	Readable bool // the code's check bits agree
}

// FindCodes finds every mark that begins a stimulus in a recording, in the order of the frames.
// The recording may hold any number of stimuli, whole or cut. A stimulus has its marks in all
// channels; the result is of the first channel with a readable code.
func FindCodes(sound dsp.Block, rate int) []FoundCode {
	template := stimulus.MarkChirp(rate, true).Wave(float64(rate))
	layout := stimulus.LayoutOf(rate, 0)
	least := layout.Signal - layout.StartMark // least distance of two marks
	var all []FoundCode
	for c, x := range sound {
		if slices.ContainsFunc(all, func(f FoundCode) bool { return f.Readable }) {
			break
		}
		all = all[:0]
		similarity := similarities(x, template, correlation(x, template))
		for n := 0; n < len(similarity); n++ {
			if similarity[n] < leastSimilarity {
				continue
			}
			best := n
			for k := n; k < min(n+least, len(similarity)); k++ {
				if similarity[k] > similarity[best] {
					best = k
				}
			}
			hash, good := readCode(x, rate, timemap.Map{Delay: float64(best - layout.StartMark), Speed: 1}, layout)
			// A true mark is far more similar than a sound like it. Without a readable code, it
			// needs twice the least similarity.
			if good || similarity[best] > 2*leastSimilarity {
				all = append(all, FoundCode{c, best, hash, good})
				n = best + least - 1
			} else {
				n = max(n, best)
			}
		}
	}
	return all
}

// FindEnds finds the frames of the marks that end a stimulus, in the channel that has the most.
func FindEnds(sound dsp.Block, rate int) (most []int) {
	template := stimulus.MarkChirp(rate, false).Wave(float64(rate))
	for _, x := range sound {
		var ends []int
		similarity := similarities(x, template, correlation(x, template))
		for n := 0; n < len(similarity); n++ {
			if similarity[n] < 2*leastSimilarity { // no code confirms these marks
				continue
			}
			best := n
			for k := n; k < min(n+len(template), len(similarity)); k++ {
				if similarity[k] > similarity[best] {
					best = k
				}
			}
			ends = append(ends, best)
			n = best + len(template) - 1
		}
		if len(ends) > len(most) {
			most = ends
		}
	}
	return most
}

// PartAround is the part of a recording with one marked stimulus, whose first mark was found at
// a frame, and the frame at which the part begins. It includes half a second of silence before
// the first mark and a second after the last, as far as they are recorded.
func PartAround(m stimulus.Marked, sound dsp.Block, frame int) (part dsp.Block, begin int, err error) {
	signal, err := m.Signal.Make(m.Rate)
	if err != nil {
		return nil, 0, err
	}
	l := stimulus.LayoutOf(m.Rate, signal.Frames())
	drift := int(math.Ceil(float64(l.Frames) * timemap.MostDriftPPM * 1e-6))
	begin = max(0, frame-l.StartMark)
	end := min(sound.Frames(), frame+l.Frames-l.StartMark+drift)
	part = make(dsp.Block, len(sound))
	for c := range sound {
		part[c] = sound[c][begin:end]
	}
	return part, begin, nil
}
