package take

import (
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/vector"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/polarity"
)

// Pair adds up the powers of the first two channels of sound that passes by. It is the
// part of Inspect that costs next to nothing; the zero value is ready.
type Pair struct {
	ll, rr, lr float64
	frames     int64
	more       bool // there are more than two channels

	window  [3]float64 // ll, rr and lr of the window at hand
	filled  int        // frames of it
	decided int64      // frames ahead of it
	turns   polarity.Turns
}

// pairWindow is how many frames the polarity is read from at a time: 21 ms at 48 kHz.
const pairWindow = 1024

// Write takes a block of two channels or more; another block it leaves out.
func (p *Pair) Write(b dsp.Block) {
	if len(b) < 2 {
		return
	}
	p.more = p.more || len(b) > 2
	p.frames += int64(b.Frames())
	for l, r := b[0], b[1]; len(l) > 0; {
		n := min(len(l), pairWindow-p.filled)
		left, right := vector.Dots2(l[:n], l[:n], r[:n]), vector.Dots2(r[:n], r[:n], l[:n])
		p.window[0] += left[0]
		p.window[1] += right[0]
		p.window[2] += left[1]
		if p.filled += n; p.filled == pairWindow {
			p.settle()
		}
		l, r = l[n:], r[n:]
	}
}

// settle adds the window at hand to the sums.
func (p *Pair) settle() {
	to := p.decided + int64(p.filled)
	p.turns.Add(p.decided, to, p.window[0], p.window[1], p.window[2])
	p.ll, p.rr, p.lr = p.ll+p.window[0], p.rr+p.window[1], p.lr+p.window[2]
	p.window, p.filled, p.decided = [3]float64{}, 0, to
}

// sums are those of all frames: of the squares of channels 1 and 2, and of their products.
func (p *Pair) sums() (ll, rr, lr float64) {
	return p.ll + p.window[0], p.rr + p.window[1], p.lr + p.window[2]
}

// inverted are the parts in which channel 2 is channel 1 inverted, where it is not elsewhere.
func (p *Pair) inverted() []polarity.Span { return p.turns.Inverted(p.frames) }

// partsText states the parts, of sound at a rate: the longest, and how many there are.
func partsText(parts []polarity.Span, rate int) string {
	longest := parts[0]
	for _, s := range parts {
		if s.To-s.From > longest.To-longest.From {
			longest = s
		}
	}
	text := fmt.Sprintf("from %s to %s", measure.TimeCode(longest.From, rate), measure.TimeCode(longest.To, rate))
	if len(parts) > 1 {
		text = fmt.Sprintf("in %d parts, the longest %s", len(parts), text)
	}
	return text
}

// silent reports that a channel, or each, has no sound at all.
func (p *Pair) silent() bool {
	ll, rr, _ := p.sums()
	return ll == 0 || rr == 0
}

// correlation is the normalised correlation without delay of two channels with sound.
func (p *Pair) correlation() float64 {
	ll, rr, lr := p.sums()
	return lr / math.Sqrt(ll*rr)
}

// gainDB is the rms of channel 2 over that of channel 1 in dB.
func (p *Pair) gainDB() float64 {
	ll, rr, _ := p.sums()
	return dsp.PowerToDB(rr / ll)
}

// Faults are what a listener would miss in one of two channels, in words: a channel
// without sound, channels that cancel in mono, in all or in a part of a sound at a rate,
// levels that are far apart. Dither counts as
// no sound. Of two channels without any there is none, nor of more than two channels, of
// which a silent one may be intended. Nothing is said of fewer than leastPairFrames.
func (p *Pair) Faults(rate int) []string {
	if ll, rr, _ := p.sums(); p.more || p.frames < leastPairFrames || ll == 0 && rr == 0 {
		return nil
	}
	switch gain := p.gainDB(); { // ±Inf where one is silent
	case math.Abs(gain) >= noSoundDB:
		return []string{fmt.Sprintf("channel %d is silent; check the cable and the routing", softer(gain))}
	case math.Abs(gain) >= farApartDB:
		return []string{fmt.Sprintf("channel %d is %.1f dB softer than the other; check its cable and gain", softer(gain), math.Abs(gain))}
	}
	if parts := p.inverted(); len(parts) > 0 {
		return []string{fmt.Sprintf("channel 2 is channel 1 inverted %s, and not elsewhere: in mono they cancel there; invert that part of one of them", partsText(parts, rate))}
	}
	if c := p.correlation(); c <= opposedCorrelation {
		return []string{fmt.Sprintf("the correlation of channels 1 and 2 is %.2f: in mono they cancel; check the polarity of one of them", c)}
	}
	return nil
}

func softer(gainDB float64) int {
	if gainDB < 0 {
		return 2
	}
	return 1
}

// leastPairFrames is the least number of frames of which channels are compared: a tenth of a
// second at 8 kHz, two periods of 20 Hz. The correlation of unrelated noise is then within
// ±0.11, three deviations of 1/√frames. (own choice)
const leastPairFrames = 800

// farApartDB is more than placing or panning a voice does (common practice, no source);
// noSoundDB is more than a microphone is lowered by, and less than the dither of 16 bits
// lies under speech: by some 70 dB at −23 LUFS. (own choice)
const farApartDB, noSoundDB = 20, 60
