package expect

import (
	"fmt"
	"math"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// SameBits fails the test where a processor does not give the same bits for a sound each
// time: at once again, after another sound, and, for a device that is [InBlocks],
// in blocks of any size. It names the first sample that differs. NaN and infinite samples
// fail too. The sound has the levels of speech, lasts 1 s and peaks at 0 dBFS, so that limiters
// act too.
func SameBits(t testing.TB, p Processor) {
	t.Helper()
	const second = 1.0
	signal := stimulus.SpeechLike{PeakDBFS: 0, Seconds: second, Channels: p.channels(), Seed: 2}
	other := stimulus.SpeechLike{PeakDBFS: 0, Seconds: second, Channels: p.channels(), Seed: 3}
	first, err := p.response(signal)
	if err != nil {
		t.Errorf("%s: %v", p.about(signal), err)
		return
	}
	same := func(how string, got dsp.Block, err error) bool {
		t.Helper()
		switch difference := p.firstDifference(first, got); {
		case err != nil:
			t.Errorf("%s, %s: %v", p.about(signal), how, err)
			return false
		case difference != "":
			t.Errorf("%s, %s: %s", p.about(signal), how, difference)
			return false
		}
		return true
	}
	again, err := p.response(signal)
	if !same("a second run", again, err) {
		return
	}
	if _, err := p.response(other); err != nil {
		t.Errorf("%s: %v", p.about(other), err)
		return
	}
	again, err = p.response(signal)
	if !same("a run after another sound", again, err) {
		return
	}
	if f, ok := p.Device.(InBlocks); ok {
		p.sameInBlocks(signal, f, same)
	}
	t.Logf("%s: the same bits each time", p.name())
}

// blockSizes are sizes that are difficult for processors: one frame, primes, powers of
// two and their neighbours, and one larger than the sound.
var blockSizes = []int{1, 7, 64, 127, 1000, 4096, 1 << 20}

func (p Processor) sameInBlocks(signal stimulus.Signal, f InBlocks, same func(how string, got dsp.Block, err error) bool) {
	sound, err := signal.Make(p.rate())
	if err != nil {
		same("in blocks", nil, err)
		return
	}
	inBlocks := func(how string, size func(i int) int) bool {
		got, err := p.checked(sound, func(own [][]float64) ([][]float64, error) { return f.inBlocks(p.rate(), own, size) })
		return same(how, got, err)
	}
	for _, size := range blockSizes {
		if !inBlocks(fmt.Sprintf("in blocks of %s", dsp.Plural(size, "frame")), func(int) int { return size }) {
			return
		}
	}
	inBlocks("in blocks of sizes that change from one to the next", func(i int) int { return blockSizes[i%len(blockSizes)] })
}

// firstDifference describes the first sample in which a response differs from the
// first run's, "" where all have the same bits.
func (p Processor) firstDifference(first, got dsp.Block) string {
	if got == nil {
		return ""
	}
	if got.Frames() != first.Frames() {
		return fmt.Sprintf("found %s, the first run has %d", dsp.Plural(got.Frames(), "frame"), first.Frames())
	}
	at, channel, differing := -1, 0, 0
	for c := range first {
		for n, v := range first[c] {
			if math.Float64bits(v) == math.Float64bits(got[c][n]) {
				continue
			}
			differing++
			if at < 0 || n < at {
				at, channel = n, c
			}
		}
	}
	if at < 0 {
		return ""
	}
	a, b := first[channel][at], got[channel][at]
	return fmt.Sprintf("channel %d differs from the first run at %s (frame %d): %.17g, and %.17g there, %.1f dBFS apart; %d samples differ",
		channel+1, measure.TimeCode(int64(at), p.rate()), at, b, a, dsp.AmplitudeToDB(math.Abs(a-b)), differing)
}
