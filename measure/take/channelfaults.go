package take

import (
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/vector"
)

// Pair adds up the powers of the first two channels of sound that passes by. It is the
// part of Inspect that costs next to nothing; the zero value is ready.
type Pair struct {
	ll, rr, lr float64
	frames     int64
	more       bool // there are more than two channels
}

// Write takes a block of two channels or more; another block it leaves out.
func (p *Pair) Write(b dsp.Block) {
	if len(b) < 2 {
		return
	}
	p.more = p.more || len(b) > 2
	p.frames += int64(b.Frames())
	l, r := b[0], b[1]
	left, right := vector.Dots2(l, l, r), vector.Dots2(r, r, l)
	p.ll += left[0]
	p.lr += left[1]
	p.rr += right[0]
}

// silent reports that a channel, or each, has no sound at all.
func (p *Pair) silent() bool { return p.ll == 0 || p.rr == 0 }

// correlation is the normalised correlation without delay of two channels with sound.
func (p *Pair) correlation() float64 { return p.lr / math.Sqrt(p.ll*p.rr) }

// gainDB is the rms of channel 2 over that of channel 1 in dB.
func (p *Pair) gainDB() float64 { return dsp.PowerToDB(p.rr / p.ll) }

// Faults are what a listener would miss in one of two channels, in words: a channel
// without sound, channels that cancel in mono, levels that are far apart. Dither counts as
// no sound. Of two channels without any there is none, nor of more than two channels, of
// which a silent one may be intended. Nothing is said of fewer than leastPairFrames.
func (p *Pair) Faults() []string {
	if p.more || p.frames < leastPairFrames || p.ll == 0 && p.rr == 0 {
		return nil
	}
	switch gain := p.gainDB(); { // ±Inf where one is silent
	case math.Abs(gain) >= noSoundDB:
		return []string{fmt.Sprintf("channel %d is silent; check the cable and the routing", softer(gain))}
	case math.Abs(gain) >= farApartDB:
		return []string{fmt.Sprintf("channel %d is %.1f dB softer than the other; check its cable and gain", softer(gain), math.Abs(gain))}
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
