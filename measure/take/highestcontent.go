package take

import (
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/spectra"
)

// content finds the highest frequency in a sound, at which a codec, a telephone or a
// lower sampling rate has cut it off.
type content struct {
	format   wave.Format
	spectrum *spectra.Power
	blocks   thinned
}

const (
	contentStepHz = 100
	// A frequency counts if it has twice the power of the rounding of the file's
	// integers, and is at most 100 dB below the strongest 100 Hz, since stop bands of
	// resamplers are lower than that.
	contentOverRoundingDB = 3
	contentUnderLoudestDB = -100
	fullBand              = 0.9 // of half the rate: less shows a band limit
)

func newContent(f wave.Format) content {
	length := 1024
	for length < f.Rate/6 {
		length *= 2
	}
	return content{format: f, blocks: newThinned(f.Channels, length, contentBlocks), spectrum: spectra.Empty(spectra.LowLeakage(length), f.Rate)}
}

// contentBlocks is how many blocks are taken before every other one is left out.
const contentBlocks = 128

func (c *content) write(b dsp.Block) {
	c.blocks.write(b, func(x [][]float64) {
		for _, plane := range x {
			c.spectrum.Add(plane, len(plane))
		}
	})
}

// report adds the reading. bits is the word length that the samples are rounded to, 0 if
// they are not rounded.
func (c *content) report(r *report, bits int) {
	about := measure.Reading{Unit: "Hz", Reference: fmt.Sprintf("of up to %g Hz, half the rate", float64(c.format.Rate)/2),
		Definition: fmt.Sprintf("highest %d Hz whose mean power is %d dB above the rounding of the samples' bits and within %d dB of the strongest", contentStepHz, contentOverRoundingDB, -contentUnderLoudestDB)}
	if c.spectrum.Blocks == 0 {
		r.cannot("highest_content_hz", "Hz", fmt.Sprintf("too short: less than %d frames", len(c.spectrum.Window)))
		return
	}
	half := float64(c.format.Rate) / 2
	steps := make([]float64, int(half/contentStepHz)+1)
	loudest := 0.0
	for k, p := range c.spectrum.Sums() {
		i := int(float64(k) * c.spectrum.BinHz / contentStepHz)
		steps[i] += p / float64(c.spectrum.Blocks)
		loudest = max(loudest, steps[i])
	}
	threshold := loudest * dsp.DBToPower(contentUnderLoudestDB)
	if bits > 0 {
		lsb := math.Exp2(1 - float64(bits))
		// Rounding and TPDF dither: a quarter of a step squared, spread to half the rate.
		threshold = max(threshold, lsb*lsb/4*contentStepHz/half*dsp.DBToPower(contentOverRoundingDB))
	}
	highest := -1
	for i, p := range steps {
		if p > threshold {
			highest = i
		}
	}
	if highest < 0 {
		about.Reason = "nothing is above the rounding"
	}
	about.Value = min(half, float64(highest+1)*contentStepHz)
	r.add("highest_content_hz", about)
	if about.Reason == "" && about.Value < fullBand*half && c.format.Rate >= 32000 {
		r.find(measure.Note, -1, -1, fmt.Sprintf("nothing above %.1f kHz: the sound was once at a lower rate, or has passed a codec or a filter", about.Value/1000), "look for the original, if there is one")
	}
}
