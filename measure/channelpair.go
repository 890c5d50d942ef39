package measure

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/dsp/fourier"
)

// channelPair compares the first two channels: their correlation, the delay
// between them, and whether one is the other's copy.
type channelPair struct {
	ll, rr, lr  float64
	fft         *fourier.FFT
	left, right []float64    // the running block
	cross       []complex128 // mean cross spectrum
	blocks      int
	identical   bool
	frames      int64
}

// pairBlock is the length of the blocks that are correlated; delays up to half
// of it are found.
const pairBlock = 1 << 15

func newChannelPair() channelPair {
	return channelPair{fft: fourier.NewFFT(pairBlock), cross: make([]complex128, pairBlock/2+1), identical: true}
}

func (p *channelPair) write(l, r []float64) {
	for n, x := range l {
		y := r[n]
		p.ll += x * x
		p.rr += y * y
		p.lr += x * y
		p.identical = p.identical && x == y
	}
	p.frames += int64(len(l))
	p.left, p.right = append(p.left, l...), append(p.right, r...)
	for len(p.left) >= pairBlock {
		p.correlate(p.left[:pairBlock], p.right[:pairBlock])
		p.left = append(p.left[:0], p.left[pairBlock/2:]...)
		p.right = append(p.right[:0], p.right[pairBlock/2:]...)
	}
}

// correlate adds a block's cross spectrum, each under a Hann window.
func (p *channelPair) correlate(l, r []float64) {
	x, y := make([]float64, pairBlock), make([]float64, pairBlock)
	for n := range l {
		w := 0.5 - 0.5*math.Cos(2*math.Pi*float64(n)/pairBlock)
		x[n], y[n] = w*l[n], w*r[n]
	}
	a, b := p.fft.Coefficients(nil, x), p.fft.Coefficients(nil, y)
	for k := range a {
		p.cross[k] += complex(real(a[k]), -imag(a[k])) * b[k]
	}
	p.blocks++
}

func (p *channelPair) report(r *report, channels []channelState) {
	if p.ll == 0 || p.rr == 0 {
		for _, name := range []string{"correlation", "channel_delay_frames", "channel_gain_db"} {
			r.cannot(name, "", "a channel is silent")
		}
		return
	}
	if p.blocks == 0 {
		x, y := make([]float64, pairBlock), make([]float64, pairBlock)
		copy(x, p.left)
		copy(y, p.right)
		p.correlate(x, y)
	}
	correlation := p.lr / math.Sqrt(p.ll*p.rr)
	r.add("correlation", Reading{Value: correlation, Unit: "", Reference: "+1: equal, -1: inverted", Definition: "normalised correlation of channels 1 and 2 without delay"})
	delay, sharp := p.delay()
	if sharp < 0.5 {
		r.cannot("channel_delay_frames", "frames", "channels 1 and 2 are not the same source")
	} else {
		r.add("channel_delay_frames", Reading{Value: float64(delay), Unit: "frames", Reference: "channel 1", Definition: "largest |cross-correlation| of channels 1 and 2; more than 0: channel 2 is later"})
	}
	gain := 10 * math.Log10(p.rr/p.ll)
	r.add("channel_gain_db", Reading{Value: gain, Unit: "dB", Reference: "channel 1", Definition: "rms of channel 2 over channel 1"})
	switch {
	case p.identical:
		r.find(Note, -1, -1, "channels 1 and 2 are identical", "it is a mono take: one channel holds everything")
	case sharp >= 0.5 && p.inverted(delay):
		r.find(Fault, -1, 1, fmt.Sprintf("channel 2 is channel 1 inverted, %d frames later, %+.1f dB", delay, gain), "invert one of them: in mono they cancel")
	case sharp >= 0.5 && delay != 0:
		r.find(Doubt, -1, 1, fmt.Sprintf("channel 2 is %d frames later than channel 1", delay), "delay the other by as much, if they are one source: in mono they comb")
	case correlation < 0:
		r.find(Doubt, -1, -1, fmt.Sprintf("the correlation of the channels is %.2f: in mono they cancel in part", correlation), "check the polarity of one of them")
	}
	if math.Abs(gain) >= 20 {
		r.find(Fault, -1, -1, fmt.Sprintf("channel 2 is %+.1f dB against channel 1", gain), "check the cable and the gain of the softer one")
	}
}

// delay is by how many frames channel 2 lags channel 1, and how much of the
// energy that they share lies there: 1 for a delayed copy.
func (p *channelPair) delay() (frames int, sharp float64) {
	c := p.correlation()
	best := 0
	for n, v := range c {
		if math.Abs(v) > math.Abs(c[best]) {
			best = n
		}
	}
	total := 0.0
	for _, v := range p.cross {
		total += math.Hypot(real(v), imag(v))
	}
	sharp = math.Abs(c[best]) / (2 * total)
	if best > pairBlock/2 {
		return best - pairBlock, sharp
	}
	return best, sharp
}

func (p *channelPair) correlation() []float64 {
	return p.fft.Sequence(nil, append([]complex128(nil), p.cross...))
}

func (p *channelPair) inverted(delay int) bool {
	return p.correlation()[(delay+pairBlock)%pairBlock] < 0
}
