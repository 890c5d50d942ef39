package take

import (
	"math/rand/v2"
	"testing"
)

// Runs of zeros are found wherever they lie and however the sound is cut, as by a look at
// each sample.
func TestZeroRuns(t *testing.T) {
	rng := rand.New(rand.NewPCG(61, 62))
	const hop, least, hops = 100, 4, 12
	for round := range 500 {
		x := make([]float64, hop*hops)
		for n := 0; n < len(x); {
			for k := 1 + rng.IntN(60); k > 0 && n < len(x); k-- {
				x[n] = 1
				n++
			}
			if n += 1 + rng.IntN(2*least); rng.IntN(20) == 0 {
				n += rng.IntN(3 * hop)
			}
		}
		var held [hops]bool
		run := 0
		for n, v := range x {
			if run++; v != 0 {
				run = 0
			}
			held[n/hop] = held[n/hop] || run >= least
		}
		var z zeroRuns
		for rest := x; len(rest) > 0; {
			n := min(len(rest), 1+rng.IntN(150))
			z.write(rest[:n], hop)
			rest = rest[n:]
		}
		for i := range hops - 1 {
			if z.at(i) != (held[i] || held[i+1]) {
				t.Fatalf("round %d, frame %d: %v, want %v", round, i, z.at(i), !z.at(i))
			}
		}
	}
}
