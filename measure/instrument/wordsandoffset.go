package instrument

import (
	"fmt"
	"math"
	"math/bits"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
)

const (
	// leastOffset is the least offset that is reported, −60 dBFS: converters have less. (common
	// practice, no source)
	leastOffset = 1e-3
	// longestWord is the number of bits of a converter, even in files of 32 bits.
	longestWord = 24
	// leastUnused is the least number of trailing bits, 0 in all samples, that is reported.
	// (own definition)
	leastUnused = 4
	// leastApart is the least delay between two channels, in frames, that is reported: it is no
	// longer within one frame of a clock. (own definition)
	leastApart = 0.5
)

// reportWords reports what a channel's samples show: a constant offset in its silence, and
// trailing bits that are always 0.
func (a *Alignment) reportWords(x, silence []float64, word, channel int) {
	mean := 0.0
	for _, v := range silence {
		mean += v / float64(len(silence))
	}
	if math.Abs(mean) >= leastOffset {
		a.Findings = append(a.Findings, measure.Finding{Severity: measure.Note, What: fmt.Sprintf("the recording has a constant offset of %+.4f, %.0f dBFS", mean, dsp.AmplitudeToDB(math.Abs(mean))), Do: "couple the input by a capacitor: one side clips earlier; noise and distortion are read about the mean", Frame: -1, Channel: channel})
	}
	if used := usedBits(x, word); used > 0 && used <= min(word, longestWord)-leastUnused {
		a.Findings = append(a.Findings, measure.Finding{Severity: measure.Warning, What: fmt.Sprintf("its samples use only %d of their %d bits", used, word), Do: "look for what shortens the samples on the way (a driver, the system's mixer, a file): the noise read here is that of its rounding", Frame: -1, Channel: channel})
	}
}

// usedBits is the number of bits of integer samples, down to the lowest bit that is 1 in any
// sample. It is 0 for floating point (a word of 0 bits) and for silence.
func usedBits(x []float64, word int) int {
	if word == 0 {
		return 0
	}
	scale, all := math.Ldexp(1, word-1), int64(0)
	for _, v := range x {
		all |= int64(v * scale)
	}
	if all == 0 {
		return 0
	}
	return word - bits.TrailingZeros64(uint64(all))
}

// reportApart reports by how much a channel is later than the first.
func (a *Alignment) reportApart(frames float64, channel int) {
	if math.Abs(frames) >= leastApart {
		order := "later"
		if frames < 0 {
			order = "earlier"
		}
		a.Findings = append(a.Findings, measure.Finding{Severity: measure.Warning, What: fmt.Sprintf("it is %.2f frames %s than channel 1", math.Abs(frames), order), Do: "look for what delays one of the two (a converter, a cable's length on a digital line, a plug-in); added to each other they lose high frequencies", Frame: -1, Channel: channel})
	}
}
