package take

import (
	"fmt"
	"math"
	"math/cmplx"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/spectra"
)

// channelPair compares the first two channels: their correlation, the delay
// between them, and whether one is a copy of the other.
type channelPair struct {
	Pair
	identical bool

	pair   spectra.Pair
	window []float64
	cross  []complex128 // summed cross spectra
	blocks thinned
}

// pairBlock is the length of the blocks that are correlated; delays up to half
// of it are found.
const pairBlock = 1 << 15

func newChannelPair() channelPair {
	return channelPair{
		identical: true, blocks: newThinned(2, pairBlock, pairBlocks), pair: spectra.NewPair(pairBlock), window: spectra.Hann(pairBlock),
		cross: make([]complex128, pairBlock/2+1),
	}
}

// pairBlocks is the number of blocks after which every other one is left out. Ten minutes
// give 180 blocks, a fifth of the sound, spread over all of it.
const pairBlocks = 32

func (p *channelPair) write(b dsp.Block) {
	p.Pair.Write(b)
	l, r := b[0], b[1]
	for n := 0; p.identical && n < len(l); n++ {
		p.identical = l[n] == r[n]
	}
	p.blocks.write(b[:2], p.correlate)
}

// correlate adds the cross spectrum of a block. With a = Z[k] and b = Z[n−k] of a pair, the
// product of the conjugate coefficient of the first channel and that of the second is
// Im(ab)/2 − i(|a|² − |b|²)/4.
func (p *channelPair) correlate(x [][]float64) {
	p.pair.First(p.window, x[0])
	p.pair.Second(p.window, x[1])
	z := p.pair.Transform()
	add := func(k, j int) {
		a, b, c, d := z.Re[k], z.Im[k], z.Re[j], z.Im[j]
		p.cross[k] += complex((float64(a*d)+float64(b*c))/2, -((float64(a*a)+float64(b*b))-(float64(c*c)+float64(d*d)))/4)
	}
	add(0, 0)
	for k := 1; k < len(p.cross); k++ {
		add(k, pairBlock-k)
	}
}

// report adds the readings of sound at a rate. Of less than a tenth of a second, nothing is
// said.
func (p *channelPair) report(r *report, rate int) {
	least := max(leastPairFrames, int64(rate)/10)
	if short := p.frames < least; short || p.silent() {
		reason := "a channel is silent"
		if short {
			reason = fmt.Sprintf("too short: %s, %d are needed", dsp.Plural(int(p.frames), "frame"), least)
		}
		r.cannot("correlation", "", reason)
		r.cannot("channel_delay_frames", "frames", reason)
		r.cannot("channel_gain_db", "dB", reason)
		return
	}
	if p.blocks.taken == 0 { // shorter than a block: it lies in its middle, where the window is highest, in silence
		for _, x := range p.blocks.x {
			to := (pairBlock - p.blocks.filled) / 2
			copy(x[to:], x[:p.blocks.filled])
			clear(x[:to])
			clear(x[to+p.blocks.filled:])
		}
		p.correlate(p.blocks.x)
	}
	correlation := p.correlation()
	r.add("correlation", measure.Reading{Value: correlation, Unit: "", Reference: "+1: equal, -1: inverted", Definition: "normalised correlation of channels 1 and 2 without delay"})
	delay, sharp, inverted := p.delay()
	switch {
	case sharp < leastSharp:
		r.cannot("channel_delay_frames", "frames", "channels 1 and 2 are not the same source")
	case !p.agrees(delay, inverted, rate):
		sharp = 0
		r.cannot("channel_delay_frames", "frames", "channels 1 and 2 have several sources, with different delays")
	default:
		r.add("channel_delay_frames", measure.Reading{Value: float64(delay), Unit: "frames", Reference: "channel 1", Definition: "largest |cross-correlation| of channels 1 and 2; more than 0: channel 2 is later"})
	}
	gain := p.gainDB()
	r.add("channel_gain_db", measure.Reading{Value: gain, Unit: "dB", Reference: "channel 1", Definition: "rms of channel 2 over channel 1"})
	switch {
	case p.identical:
		r.find(measure.Note, -1, -1, "channels 1 and 2 are identical", "it is a mono take: one channel holds everything")
	case len(p.inverted()) > 0:
		parts := p.inverted()
		r.find(measure.Fault, parts[0].From, 1, fmt.Sprintf("channel 2 is channel 1 inverted %s, and not elsewhere", partsText(parts, rate)), "invert that part of one of them: in mono they cancel there")
	case sharp >= leastSharp && inverted:
		later := ""
		if delay != 0 {
			later = fmt.Sprintf(", %s later", dsp.Plural(delay, "frame"))
		}
		r.find(measure.Fault, -1, 1, fmt.Sprintf("channel 2 is channel 1 inverted%s, %+.1f dB", later, gain), "invert one of them: in mono they cancel")
	case sharp >= leastSharp && delay != 0:
		r.find(measure.Warning, -1, 1, fmt.Sprintf("channel 2 is %s later than channel 1", dsp.Plural(delay, "frame")), "delay the other by as much, if they are one source: in mono they make a comb filter")
	case correlation <= opposedCorrelation:
		r.find(measure.Warning, -1, -1, fmt.Sprintf("the correlation of the channels is %.2f: in mono they cancel in part", correlation), "check the polarity of one of them")
	}
	switch apart := math.Abs(gain); {
	case apart >= farApartDB:
		r.find(measure.Fault, -1, -1, fmt.Sprintf("channel 2 is %+.1f dB relative to channel 1", gain), "check the cable and the gain of the softer one")
	case apart >= unevenDB:
		r.find(measure.Warning, -1, -1, fmt.Sprintf("channel 2 is %+.1f dB relative to channel 1", gain), "bring both to one level before any stage that depends on it")
	}
}

// opposedCorrelation is the correlation below which two channels cancel in mono: by 3 dB
// against two unrelated ones. Unrelated channels, such as two voices, have a correlation
// near 0 of either sign, which is no fault. (own choice)
const opposedCorrelation = -0.5

// unevenDB is the difference of level from which on it is reported. (own choice)
const unevenDB = 6

// leastSharp is the share of the common energy that has to be at one delay for the
// channels to count as one source. (common practice, no source)
const leastSharp = 0.5

// A range of frequencies counts for the delay if half of its common energy is at that delay, or
// at none. It contradicts the delay if more of it, by this share, is at none. (own choice: of a
// voice in noise 6 dB below it, 1 frame later, each octave has more at that frame)
const leastInOctave, contradictingShare = 0.5, 0.01

// agrees reports whether in no octave from 62.5 Hz more of the common energy of the channels is
// at no delay than at a delay. A delay of the whole sound turns the phase of all frequencies
// accordingly. Of a voice in the middle and music that differs between the channels, the largest
// correlation may be at any delay, but the octaves of the voice are at none.
func (p *channelPair) agrees(frames int, inverted bool, rate int) bool {
	sign := 1.0
	if inverted {
		sign = -1
	}
	for low := 62.5; 2*low <= float64(rate)/2; low *= 2 {
		total, without, with := 0.0, 0.0, 0.0
		for k := int(low * pairBlock / float64(rate)); k < int(2*low*pairBlock/float64(rate)); k++ {
			v := p.cross[k]
			total += cmplx.Abs(v)
			without += real(v)
			with += real(v * cmplx.Exp(complex(0, 2*math.Pi*float64(frames*k%pairBlock)/pairBlock)))
		}
		if without, with := math.Abs(without), sign*with; max(without, with) >= leastInOctave*total && without > with+contradictingShare*total {
			return false
		}
	}
	return true
}

// delay returns by how many frames channel 2 lags channel 1, the share of their common
// energy at that delay (1 for a delayed copy), and whether it is inverted.
func (p *channelPair) delay() (frames int, sharp float64, inverted bool) {
	c := spectra.NewFFT(pairBlock).Sequence(nil, p.cross)
	best := 0
	for n, v := range c {
		if math.Abs(v) > math.Abs(c[best]) {
			best = n
		}
	}
	total := 0.0
	for _, v := range p.cross {
		total += cmplx.Abs(v)
	}
	frames, sharp, inverted = best, math.Abs(c[best])/(2*total), c[best] < 0
	if best > pairBlock/2 {
		frames -= pairBlock
	}
	return frames, sharp, inverted
}
