package vector

import (
	"math/rand/v2"
	"slices"
	"testing"
)

// planarSamples are samples of every kind, real and imaginary parts apart.
func planarSamples(rng *rand.Rand, n int) Planar {
	return Planar{samples(rng, n, false), samples(rng, n, false)}
}

func samePlanar(a, b Planar) error {
	if err := same(a.Re, b.Re); err != nil {
		return err
	}
	return same(a.Im, b.Im)
}

// Everything that a transform consists of has the bits of its Go twin.
func TestButterfliesBits(t *testing.T) {
	needAVX(t)
	rng := rand.New(rand.NewPCG(17, 18))
	for round := range 400 {
		stride, groups := 4*(1+rng.IntN(6)), 1+rng.IntN(5)
		turns := make([]Turns, groups)
		for k := range turns {
			w := samples(rng, 6, false)
			turns[k] = Turns{w[0], w[1], w[2], w[3], w[4], w[5]}
		}
		from := planarSamples(rng, 4*stride*groups)
		got, want := NewPlanar(4*stride*groups), NewPlanar(4*stride*groups)
		ByFour(got, from, turns, stride)
		byFour(want, from, turns, stride)
		if err := samePlanar(got, want); err != nil {
			t.Fatalf("round %d, stride %d, %d groups: %v", round, stride, groups, err)
		}

		quarter := 4 * (1 + rng.IntN(6))
		rows := [3]Planar{planarSamples(rng, quarter), planarSamples(rng, quarter), planarSamples(rng, quarter)}
		from = planarSamples(rng, 4*quarter)
		got, want = NewPlanar(4*quarter), NewPlanar(4*quarter)
		FirstByFour(got, from, rows)
		firstByFour(want, from, rows)
		if err := samePlanar(got, want); err != nil {
			t.Fatalf("round %d, first pass of %d groups: %v", round, quarter, err)
		}

		last := planarSamples(rng, 4*quarter)
		for name, pass := range map[string][2]func(sums []float64, from Planar){
			"squares by four": {SquaresByFour, squaresByFour}, "squares by two": {SquaresByTwo, squaresByTwo},
		} {
			sums := samples(rng, 4*quarter, false)
			other := slices.Clone(sums)
			pass[0](sums, last)
			pass[1](other, last)
			if err := same(sums, other); err != nil {
				t.Fatalf("round %d, %s of %d: %v", round, name, 4*quarter, err)
			}
		}
		LastByTwo(got, last)
		lastByTwo(want.Re, last.Re)
		lastByTwo(want.Im, last.Im)
		if err := samePlanar(got, want); err != nil {
			t.Fatalf("round %d, last pass of %d: %v", round, 4*quarter, err)
		}

		n := 1 + rng.IntN(40)
		x := samples(rng, 2*n, false)
		got, want = NewPlanar(n), NewPlanar(n)
		var window []float64
		if round%2 == 0 {
			window = samples(rng, 2*n, false)
		}
		Split(got, window, x)
		split(want, window, x)
		if err := samePlanar(got, want); err != nil {
			t.Fatalf("round %d, %d split: %v", round, n, err)
		}

		h := 2 * (1 + rng.IntN(40))
		z, turn := planarSamples(rng, h), planarSamples(rng, h/2+1)
		up, plain := make([]complex128, h+1), make([]complex128, h+1)
		Unravel(up, z, turn)
		plain[0], plain[h] = up[0], up[h]
		unravel(plain, z, turn, 1)
		if err := samePlanar(apart(up), apart(plain)); err != nil {
			t.Fatalf("round %d, %d unravelled: %v", round, h, err)
		}
	}
}

// apart are complex numbers with real and imaginary parts apart.
func apart(v []complex128) Planar {
	p := NewPlanar(len(v))
	for k, c := range v {
		p.Re[k], p.Im[k] = real(c), imag(c)
	}
	return p
}
