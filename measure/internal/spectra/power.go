package spectra

import (
	"math"
	"slices"
)

// Power is the mean power spectrum of sound through a window (Welch, "The
// use of fast Fourier transform for the estimation of power spectra", 1967). Blocks are
// transformed in pairs.
type Power struct {
	BinHz  float64
	Window []float64
	Blocks int
	energy float64 // sum of the window's squares
	hop    int

	pair    Pair
	waits   bool      // a block waits for the second of its pair
	squares []float64 // of the pairs, see Pair.AddSquares
	sums    []float64

	single *FFT // of lengths that a Pair does not have, else nil
	bins   []complex128
}

// Empty is a spectrum of nothing yet.
func Empty(window []float64, rate int) *Power {
	length := len(window)
	p := &Power{BinHz: float64(rate) / float64(length), Window: window, sums: make([]float64, length/2+1)}
	if fitsPair(length) {
		p.pair, p.squares = NewPair(length), make([]float64, length)
	} else {
		p.single, p.bins = NewFFT(length), make([]complex128, length/2+1)
	}
	for _, w := range window {
		p.energy += w * w
	}
	return p
}

// Add adds the blocks in a part of a sound, hop frames apart.
func (p *Power) Add(x []float64, hop int) {
	p.hop = hop
	length := len(p.Window)
	for from := 0; from+length <= len(x); from += hop {
		block := x[from : from+length]
		switch {
		case p.single != nil:
			p.addSingle(block)
		case p.waits:
			p.pair.Second(p.Window, block)
			p.endPair()
		default:
			p.pair.First(p.Window, block)
			p.waits = true
		}
		p.Blocks++
	}
}

func (p *Power) endPair() {
	p.pair.AddSquares(p.squares)
	p.waits = false
}

func (p *Power) addSingle(block []float64) {
	for k, v := range p.single.Windowed(p.bins, p.Window, block) {
		p.sums[k] += p.sided(k) * (real(v)*real(v) + imag(v)*imag(v))
	}
}

// sided is what the square of a coefficient counts as a mean square: doubled, for the negative
// frequency, unless that is the same one, as at 0 Hz and at half the rate.
func (p *Power) sided(bin int) float64 {
	length := len(p.Window)
	once := 1 / (float64(length) * p.energy)
	if bin == 0 || 2*bin == length {
		return once
	}
	return 2 * once
}

// Sums are the sums over the blocks of the mean square per bin.
func (p *Power) Sums() []float64 {
	if p.single != nil {
		return p.sums
	}
	if p.waits {
		p.pair.Second(nil, nil)
		p.endPair()
	}
	length := len(p.Window)
	for k := range p.sums {
		p.sums[k] = p.sided(k) / 2 * (p.squares[k] + p.squares[(length-k)%length])
	}
	return p.sums
}

// Level is the mean square after a power weighting. It is right for lines and for noise.
func (p *Power) Level(weight func(hz float64) float64) float64 {
	sum := 0.0
	for k, v := range p.Sums() {
		sum += v / float64(max(1, p.Blocks)) * weight(float64(k)*p.BinHz)
	}
	return sum
}

const (
	// lineFreeBins is the number of bins whose median is the noise: more than twice the lobe
	// of a line.
	lineFreeBins = 4 * LobeBins
	// lineOverNoise is the ratio of power to that median from which a bin belongs to a line.
	// The noise of a single block exceeds it with a probability of e^-5.5.
	lineOverNoise = 8
)

// Deviation is the relative standard deviation of Level for steady sound: noise of this
// spectrum, whose mean square over a finite time is an estimate, and lines, which do not
// vary. (Bendat and Piersol, "Random data", 4th edition 2010, 8.3:
// 1/√(B·T), with B = (∫G)²/∫G² for a spectrum G that is not flat)
func (p *Power) Deviation(weight func(hz float64) float64) float64 {
	var level, squares float64
	sums := p.Sums()
	part := make([]float64, 0, lineFreeBins)
	for from := 0; from < len(sums); from += lineFreeBins {
		end := min(from+lineFreeBins, len(sums))
		part = append(part[:0], sums[from:end]...)
		slices.Sort(part)
		noise, bins := 0.0, 0.0
		for _, v := range part {
			if v <= lineOverNoise*part[len(part)/2] {
				noise, bins = noise+v, bins+1
			}
		}
		for k := from; k < end; k++ {
			w := weight(float64(k) * p.BinHz)
			level += w * sums[k]
			squares += w * w * noise / bins * noise / bins
		}
	}
	if level == 0 || p.Blocks == 0 {
		return 0
	}
	return math.Sqrt(squares/p.BinHz/p.seconds()) / level
}

// seconds is the length of an evenly weighted stretch whose mean square is as uncertain as
// that of all blocks, with their windows and overlaps.
func (p *Power) seconds() float64 {
	length := len(p.Window)
	share := make([]float64, (p.Blocks-1)*p.hop+length)
	for b := range p.Blocks {
		for n, w := range p.Window {
			share[b*p.hop+n] += w * w
		}
	}
	var sum, squares float64
	for _, v := range share {
		sum += v
		squares += v * v
	}
	return sum * sum / squares / (p.BinHz * float64(length))
}

// spectrumSeconds is the largest length of a block of a steady sound, in s.
const spectrumSeconds = 2

// steadyLength is the length of a block of a steady sound, a power of two in frames.
func steadyLength(frames, rate int) int {
	length := 2
	for length*2 <= min(frames, spectrumSeconds*rate) {
		length *= 2
	}
	return length
}

// Of is the spectrum of a steady sound through the low-leakage
// window, its blocks overlapping by three quarters.
func Of(x []float64, rate int) *Power {
	length := steadyLength(len(x), rate)
	p := Empty(LowLeakage(length), rate)
	p.Add(x, length/4)
	return p
}

// OfWhole is the spectrum of noise as Of makes it, but of its mirrored ends too, in blocks an
// eighth apart: a click near an end then counts as one in the middle does. A strong line would
// leak at the mirrors.
func OfWhole(x []float64, rate int) *Power {
	length := steadyLength(len(x), rate)
	// Blocks that begin half a block, less half their distance, before the sound give its first
	// frames the same sum of weights as the others. The last block ends as far behind the sound.
	hop := max(1, length/8)
	ends := length - hop + (hop-len(x)%hop)%hop
	before := ends / 2
	whole := make([]float64, 0, len(x)+ends)
	for n := before; n > 0; n-- {
		whole = append(whole, x[n-1])
	}
	whole = append(whole, x...)
	for n := range ends - before {
		whole = append(whole, x[len(x)-1-n])
	}
	p := Empty(LowLeakage(length), rate)
	p.Add(whole, hop)
	return p
}

// Row is one bin of a spectrum. A sine in the middle of the bin is read with its full mean
// square, and noise with its mean square in NoiseHz around the bin.
type Row struct{ Hz, MeanSquare float64 }

// NoiseHz is the bandwidth in which a bin of Rows reads noise: the window's equivalent
// noise bandwidth (Harris, "On the use of windows for harmonic analysis with the
// discrete Fourier transform", Proc. IEEE 66(1) 1978, eq. 11).
func (p *Power) NoiseHz() float64 {
	sum := 0.0
	for _, w := range p.Window {
		sum += w
	}
	return p.BinHz * float64(len(p.Window)) * p.energy / (sum * sum)
}

// Rows are the bins above 0 Hz.
func (p *Power) Rows() []Row {
	sums := p.Sums()
	rows := make([]Row, len(sums)-1)
	scale := p.NoiseHz() / p.BinHz / float64(max(1, p.Blocks))
	for k := range rows {
		rows[k] = Row{float64(k+1) * p.BinHz, sums[k+1] * scale}
	}
	return rows
}
