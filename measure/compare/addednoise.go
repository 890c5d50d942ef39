package compare

import "math"

const (
	noiseBlocks = 16  // of all channels: fewer show no distribution
	noiseShare  = 0.7 // of what no response explains that must be noise
	// noiseFlat and noisePeaked bound the mean square of a bin's power over its squared
	// mean: 2 for Gaussian noise, 1 for a tone (Bendat and Piersol, "Random Data", 8.5),
	// far more for what comes and goes with speech.
	noiseFlat   = 1.5
	noisePeaked = 2.5
	// leastLeaning is how many standard errors the sum of leaning must lie off 0 for a side to
	// be stated. Half the bins' values are those of their neighbours through a Hann window and
	// half-overlapping blocks, so that 6 are 4 of independent ones.
	leastLeaning = 6
)

// steadyNoise reports whether what in B follows no response to A is steady noise, and
// which of them has it: "A", "B" or, undecided, "".
func (b *bandComparison) steadyNoise(leaves func(bin int) bool) (steady bool, in string, power float64) {
	n := float64(b.blocks * len(b.x))
	if n < noiseBlocks {
		return false, "", 0
	}
	var all, ofA, noise, moments, alike, bins float64
	var of side
	for k, ee := range b.ee {
		if leaves(k) {
			continue
		}
		rest := b.incoherent(k)
		all += rest
		ofA += b.incoherentA(k)
		if rest == 0 || ee == 0 || ee > 2*max(rest, b.incoherentA(k)) { // a response, or a level that moves
			continue
		}
		noise += rest
		moment := b.fourth[k] * n / (ee * ee)
		moments += rest * moment
		alike, bins = alike+moment, bins+1
		of.add(b, k, rest)
	}
	if noise < noiseShare*all || all == 0 || moments < noiseFlat*noise || moments > noisePeaked*noise {
		return false, "", 0
	}
	// By power alone a tone makes up for what comes and goes with speech.
	if alike > noisePeaked*bins {
		return false, "", 0
	}
	switch in := of.in(); in {
	case "A":
		return true, in, ofA / n
	default:
		return true, in, all / n
	}
}

// leaning is which of two spectra has their difference, from one bin of one block: above 0
// for y, below 0 for x, 0 on average if each has its own part. Noise in y is independent of
// x, so that its product with x is 0 on average, whatever weighs it by the powers of x and of
// the noise alone; its product with y is above 0. The weight keeps what both have, where that is
// stronger, from hiding this: pauses and the frequencies outside of a voice decide.
//
// It takes the difference d = y − x, both, and the squares of their magnitudes; d is not 0.
func leaning(d, x, y complex128, dd, xx, yy float64) float64 {
	ofX := (real(d)*real(x) + imag(d)*imag(x)) / ((xx + dd) * (xx + dd))
	ofY := (real(d)*real(y) + imag(d)*imag(y)) / ((yy + dd) * (yy + dd))
	return dd * (ofX + ofY)
}

// side sums leaning over bins: each alike, with its error, and by power.
type side struct{ sum, squares, byPower float64 }

func (s *side) add(b *bandComparison, bin int, power float64) {
	s.sum += b.lean[bin]
	s.squares += b.leanSquares[bin]
	s.byPower += power * b.lean[bin]
}

// in is the sound that has the difference, "" for undecided.
func (s side) in() string {
	if math.Abs(s.sum) < leastLeaning*math.Sqrt(s.squares) || s.sum*s.byPower <= 0 {
		return ""
	}
	if s.sum > 0 {
		return "B"
	}
	return "A"
}

// incoherentA is the part of A's power in a bin that follows no fixed response to B.
func (b *bandComparison) incoherentA(k int) float64 {
	if b.yy[k] == 0 {
		return b.xx[k]
	}
	return max(0, b.xx[k]-square(b.xy[k])/b.yy[k])
}
