package vector

// Dither stores samples times a scale with triangular dither added: the difference of
// two uniform random numbers from 0 to 1, taken from the halves of the next number of
// a SplitMix64 sequence (Steele, Lea, Flood, "Fast splittable pseudorandom number
// generators", 2014). It returns the sequence's new state.
func Dither(to, x []float64, scale float64, state uint64) uint64 {
	to = to[:len(x)]
	if whole := len(x) &^ 3; hasAVX2 && whole > 0 {
		ditherAVX2(&to[0], &x[0], scale, &state, whole/4, &ditherConstants)
		to, x = to[whole:], x[whole:]
	}
	return dither(to, x, scale, state)
}

func dither(to, x []float64, scale float64, state uint64) uint64 {
	for n, v := range x {
		var z uint64
		state, z = SplitMix64(state)
		to[n] = float64(v*scale) + float64(float64(int64(z>>32)-int64(z&0xffffffff))*(1.0/(1<<32)))
	}
	return state
}

// SplitMix64 returns the next state of the sequence, and its number.
func SplitMix64(state uint64) (next, number uint64) {
	state += splitStep
	z := state
	z = (z ^ z>>30) * splitMix1
	z = (z ^ z>>27) * splitMix2
	return state, z ^ z>>31
}

const (
	splitStep = 0x9e3779b97f4a7c15
	splitMix1 = 0xbf58476d1ce4e5b9
	splitMix2 = 0x94d049bb133111eb
)

// ditherConstants are the constants that the assembly loads: see there.
var ditherConstants = [12]uint64{
	steps(4), splitMix1 & 0xffffffff, splitMix1 >> 32, splitMix2 & 0xffffffff, splitMix2 >> 32,
	0xffffffff, 0x4330000000000000, 0x3df0000000000000,
	steps(1), steps(2), steps(3), steps(4),
}

// steps is by how much the state changes in n steps of the sequence, modulo 2^64.
func steps(n uint64) uint64 { return n * splitStep }
