package compare

import (
	"math"
	"math/cmplx"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/vector"
	"github.com/boothbench/boothbench/measure/internal/spectra"
)

// bandComparison compares two sounds by frequency: their spectra, the spectrum of
// their difference, and how B's depends on A's (the transfer function H1 and the
// coherence, Bendat and Piersol, "Random Data", 6.1).
type bandComparison struct {
	rate, length, hop int
	x, y              dsp.Block // the running block
	skip              int       // frames to pass over
	fft               *spectra.FFT
	window            []float64
	scale             float64
	bins              [2][]complex128
	xx, yy, ee        []float64 // mean squares by bin, summed over blocks and channels
	xy                []complex128
	blocks            int
	fourth            []float64 // squares of the mean squares of the difference, summed
	lean, leanSquares []float64 // sums of leaning and of its squares
	xSquares          []float64 // squares of the mean squares of A, summed
	own               []float64 // what brought each channel of y to its level; nil: nothing
	event             int       // frames of the running block up to the end of a dropout or click in it
	residual          []float64 // mean squares of the difference before own, events included
	looked            int       // blocks of residual
	factor            float64   // brings the blocks' difference to that of all frames
	uneven            string    // why their spectrum is not that of the difference
	events            float64   // mean squares of the difference in blocks with an event, summed
}

const mostSpectra = 1000 // of each channel: 1.4 minutes without a gap at 48 kHz

func newBandComparison(rate, channels int, frames int64, own []float64) *bandComparison {
	length := 1024
	for length < rate/6 {
		length *= 2
	}
	b := &bandComparison{
		rate: rate, length: length, hop: max(length/2, int(frames/mostSpectra)), x: make(dsp.Block, channels), y: make(dsp.Block, channels),
		fft: spectra.NewFFT(length), window: spectra.Hann(length),
		xx: make([]float64, length/2+1), yy: make([]float64, length/2+1), ee: make([]float64, length/2+1), xy: make([]complex128, length/2+1), fourth: make([]float64, length/2+1),
		own: own, residual: make([]float64, length/2+1), xSquares: make([]float64, length/2+1), lean: make([]float64, length/2+1), leanSquares: make([]float64, length/2+1),
	}
	b.scale = 1 / (float64(length) * vector.SumOfSquares(b.window))
	for i := range b.bins {
		b.bins[i] = make([]complex128, length/2+1)
	}
	return b
}

// write takes the next frames of both sounds; with an event they hold a dropout or a
// click, which is a difference but no response.
func (b *bandComparison) write(x, y dsp.Block, event bool) {
	for n := 0; n < x.Frames(); {
		if b.skip > 0 {
			passed := min(b.skip, x.Frames()-n)
			b.skip -= passed
			n += passed
			continue
		}
		take := min(x.Frames()-n, b.length-b.x.Frames())
		for c := range x {
			b.x[c] = append(b.x[c], x[c][n:n+take]...)
			b.y[c] = append(b.y[c], y[c][n:n+take]...)
		}
		n += take
		if event {
			b.event = b.x.Frames()
		}
		if b.x.Frames() == b.length {
			b.add()
		}
	}
}

// restart forgets the running block.
func (b *bandComparison) restart() {
	for c := range b.x {
		b.x[c], b.y[c] = b.x[c][:0], b.y[c][:0]
	}
	b.skip, b.event = 0, 0
}

// add takes the running block's spectra and moves on by the hop. Only a block without
// an event shows how B follows A.
func (b *bandComparison) add() {
	for c := range b.x {
		x, y := b.transform(0, b.x[c]), b.transform(1, b.y[c])
		for k := range x {
			weight := b.scale
			if k > 0 && k < b.length/2 {
				weight *= 2 // and its mirror image
			}
			d := y[k] - x[k]
			dd := square(d)
			e := weight * dd
			b.residual[k] += e
			if b.own != nil {
				b.residual[k] += weight*square(y[k]*complex(1/b.own[c], 0)-x[k]) - e
			}
			if b.event > 0 {
				b.events += e
				continue
			}
			xx, yy := square(x[k]), square(y[k])
			b.xx[k] += weight * xx
			b.yy[k] += weight * yy
			b.ee[k] += e
			b.fourth[k] += e * e
			b.xSquares[k] += weight * xx * weight * xx
			if dd > 0 {
				lean := leaning(d, x[k], y[k], dd, xx, yy)
				b.lean[k] += lean
				b.leanSquares[k] += lean * lean
			}
			b.xy[k] += complex(weight*(real(x[k])*real(y[k])+imag(x[k])*imag(y[k])), weight*(real(x[k])*imag(y[k])-imag(x[k])*real(y[k])))
		}
	}
	b.looked++
	if b.event == 0 {
		b.blocks++
	}
	keep := max(0, b.length-b.hop)
	b.skip = max(0, b.hop-b.length)
	b.event = max(0, b.event-(b.length-keep))
	for c := range b.x {
		b.x[c] = append(b.x[c][:0], b.x[c][b.length-keep:]...)
		b.y[c] = append(b.y[c][:0], b.y[c][b.length-keep:]...)
	}
}

func square(v complex128) float64 { return real(v)*real(v) + imag(v)*imag(v) }

func (b *bandComparison) transform(i int, x []float64) []complex128 {
	return b.fft.Windowed(b.bins[i], b.window, x)
}

// band is a third-octave band of the comparison.
type band struct {
	hz         float64 // its middle
	a, b, e    float64 // mean squares: of A, of B on A's level, of the difference
	responseDB float64 // what of B follows A against A; of followed bands, against their median
	upperDB    float64 // the response if the noise is A's (H2); of followed bands, against their median
	coherence  float64 // how much of B's follows A, 0 to 1
	averages   float64 // how many independent spectra it is from
}

const (
	// statedDeviations is how many standard errors a response must lie off to be stated: of
	// thirty bands without a difference, one in five hundred comparisons has one that does.
	statedDeviations = 4
	// hannBins is how many bins of a Hann window are as one: its noise bandwidth (Harris,
	// Proc. IEEE 66(1) 1978).
	hannBins = 1.5
)

// deviationDB is the standard error of the response in dB: √(1−γ²) / (|γ| √(2 n)) of the
// gain H1 from n averages with the coherence γ² (Bendat and Piersol, "Random Data", 4th
// edition, table 9.6).
func (b band) deviationDB() float64 {
	if b.coherence <= 0 || b.averages <= 0 {
		return math.Inf(1)
	}
	return dsp.AmplitudeToDB(math.E) * math.Sqrt((1-b.coherence)/(2*b.averages*b.coherence))
}

// certainDB is how far off 0 dB the response is for certain. Noise in B leaves H1 as it is,
// and noise in A leaves H2, which is H1 over the coherence (Bendat and Piersol, 6.1): the
// response lies between the two, and each is off by its standard error.
func (b band) certainDB() float64 {
	off := math.Min(b.responseDB, b.upperDB) // above
	if b.responseDB < 0 {
		off = -math.Max(b.responseDB, b.upperDB) // below
	}
	return off - statedDeviations*b.deviationDB()
}

// bands are the third-octave bands of the comparison.
func (b *bandComparison) bands() []band {
	if b.looked == 0 {
		return nil
	}
	var all []band
	mean := 1 / float64(max(1, b.blocks)*len(b.x))
	for _, t := range spectra.ThirdOctaves(b.rate, b.length) {
		v := band{hz: t.Hz}
		var cross complex128
		t.Each(func(k int, share float64) {
			v.averages += share * float64(b.blocks*len(b.x)) / hannBins
			v.a += mean * share * b.xx[k]
			v.b += mean * share * b.yy[k]
			v.e += b.factor * share * b.residual[k] / float64(b.looked*len(b.x))
			cross += complex(mean*share, 0) * b.xy[k]
		})
		if v.a > 0 && v.b > 0 {
			v.responseDB = dsp.AmplitudeToDB(cmplx.Abs(cross) / v.a)
			v.coherence = square(cross) / (v.a * v.b)
			v.upperDB = v.responseDB - 2*dsp.PowerToDB(v.coherence)
		}
		all = append(all, v)
	}
	return all
}

// incoherent is the part of B's power in a bin that follows no fixed response to A.
func (b *bandComparison) incoherent(k int) float64 {
	if b.xx[k] == 0 {
		return b.yy[k]
	}
	return max(0, b.yy[k]-square(b.xy[k])/b.xx[k])
}

// gains are how far B lies over A in dB, of all bins but those of an offset and those that
// leaves leaves out: what of B follows A over A (H1), and B over what of A follows it (H2),
// the gain where noise is A's alone. 0 where B follows nothing of A.
func (b *bandComparison) gains(leaves func(bin int) bool) (h1, h2 float64) {
	var xx, yy, xy float64
	for k := 2; k < len(b.yy); k++ { // as far as a Hann window spreads an offset
		if !leaves(k) {
			xx, yy, xy = xx+b.xx[k], yy+b.yy[k], xy+real(b.xy[k])
		}
	}
	if xy <= 0 {
		return 0, 0
	}
	return dsp.AmplitudeToDB(xy / xx), dsp.AmplitudeToDB(yy / xy)
}

// leastIncoherent is the share of B's power under which what follows no response is the
// rounding of the transforms: 16 times that of a number of 64 bits.
const leastIncoherent = 16.0 / (1 << 53)

// unexplained is the mean square of what in B follows no fixed response to A, without
// the bins that leaves leaves out.
func (b *bandComparison) unexplained(leaves func(bin int) bool) float64 {
	sum, all := 0.0, 0.0
	for k, yy := range b.yy {
		all += yy
		if !leaves(k) {
			sum += b.incoherent(k)
		}
	}
	if sum <= leastIncoherent*all {
		return 0
	}
	return sum / float64(max(1, b.blocks*len(b.x)))
}

// ofEvents is the mean square of the difference in the blocks that have a dropout or a
// click, over all blocks.
func (b *bandComparison) ofEvents() float64 {
	return b.events / float64(max(1, b.looked*len(b.x)))
}

// weighted is the mean square of the difference through a weighting of power.
func (b *bandComparison) weighted(weight func(hz float64) float64) float64 {
	sum := 0.0
	for k, e := range b.residual {
		sum += e * weight(float64(k)*float64(b.rate)/float64(b.length))
	}
	return b.factor * sum / float64(max(1, b.looked*len(b.x)))
}

// mostUneven is the largest ratio of the power of the difference in what was looked at by
// frequency to that in all: what lies between the blocks that were looked at may be of
// another kind, and a difference of one word in ten minutes is not the spectrum of the rest.
// 6 dB is a choice; how far the sampled spectra of noise or speech scatter was not measured.
const mostUneven = 4.0

// settle brings the spectrum of the difference to its power in all frames, as a mean
// square, or states why it is not that of the difference.
func (b *bandComparison) settle(power float64) {
	b.factor, b.uneven = 1, ""
	looked := b.weighted(func(float64) float64 { return 1 })
	switch {
	case power == 0:
	case looked < power/mostUneven || looked > power*mostUneven:
		b.uneven = "the difference is short or uneven, and its spectrum is taken of parts"
	default:
		b.factor = power / looked
	}
}
