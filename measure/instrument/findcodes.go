package instrument

import (
	"math"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/internal/timemap"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// FoundCode is a mark in a recording and the code behind it.
type FoundCode struct {
	Channel  int // of the recording, from 0
	Frame    int // of the mark's first sample
	Code     uint32
	Readable bool // the code's check symbols agree with it
}

// FindCodes finds every mark that begins a stimulus in a recording, in the order of the
// frames. The recording may hold any number of stimuli, cut anyhow. A stimulus has its
// marks in all channels: the first channel with a readable code is the one that counts.
func FindCodes(sound dsp.Block, rate int) []FoundCode {
	template := stimulus.MarkChirp(rate, true).Wave(float64(rate))
	layout := stimulus.LayoutOf(rate, 0)
	least := layout.Signal - layout.StartMark // two marks lie at least so far apart
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
			// A mark is far more similar than what sounds like one: half of the best counts.
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

// FindEnds finds the frames of the marks that end a stimulus, in whichever channel has
// most.
func FindEnds(sound dsp.Block, rate int) (most []int) {
	template := stimulus.MarkChirp(rate, false).Wave(float64(rate))
	for _, x := range sound {
		var ends []int
		similarity := similarities(x, template, correlation(x, template))
		for n := 0; n < len(similarity); n++ {
			if similarity[n] < 2*leastSimilarity { // no code confirms it
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

// PartAround is the part of a recording that holds one marked stimulus whose first mark
// was found at a frame, with the frame at which it begins. A second of silence before the
// mark and behind the last mark belongs to it, as far as the recording has it.
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
