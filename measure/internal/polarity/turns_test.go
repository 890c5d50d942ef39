package polarity

import (
	"math"
	"math/rand/v2"
	"testing"
)

// windows adds those of a correlation over time, from 0 to 1, of 400 windows of 100 frames
// whose levels vary as those of speech do.
func windows(seed uint64, correlation func(at float64) float64) *Turns {
	rng := rand.New(rand.NewPCG(seed, 1))
	t := &Turns{}
	for i := range int64(400) {
		xx := math.Pow(10, -3*rng.Float64())
		t.Add(i*100, (i+1)*100, xx, xx/4, correlation((float64(i)+0.5)/400)*xx/2)
	}
	return t
}

// A switch of polarity is found within what is stated, also in some noise; one that lasts for
// fewer windows than are needed is not.
func TestSwitchedPolarityIsFound(t *testing.T) {
	for seed := range uint64(200) {
		rng := rand.New(rand.NewPCG(seed, 2))
		from, to := 0.1+0.3*rng.Float64(), 0.6+0.3*rng.Float64()
		got := windows(seed, func(at float64) float64 {
			r := 1 - 0.11*rng.Float64() // some windows show nothing
			if at > from && at < to {
				return -r
			}
			return r
		}).Inverted(40000)
		if len(got) != 1 {
			t.Fatalf("%d: %v, want one", seed, got)
		}
		s := got[0]
		if math.Abs(float64(s.From)-from*40000) > float64(s.FromWithin) || math.Abs(float64(s.To)-to*40000) > float64(s.ToWithin) {
			t.Errorf("%d: from %.0f to %.0f: %+v", seed, from*40000, to*40000, s)
		}
	}
	if got := windows(1, func(at float64) float64 { return math.Copysign(1, math.Abs(at-0.5)-0.01) }).Inverted(40000); len(got) != 0 {
		t.Errorf("eight windows: %v", got)
	}
}

// A phase that passes through all values, as of two tones or clocks that differ, two
// unrelated sounds, and a channel that is inverted throughout are no switch.
func TestOtherCorrelationsAreNoSwitch(t *testing.T) {
	for name, of := range map[string]func(at float64) float64{
		"a slow phase":      func(at float64) float64 { return math.Cos(2 * math.Pi * at) },
		"a phase":           func(at float64) float64 { return math.Cos(8 * math.Pi * at) },
		"half a turn":       func(at float64) float64 { return math.Cos(math.Pi * min(1, max(0, 6*at-3))) },
		"inverted":          func(float64) float64 { return -0.99 },
		"unrelated":         func(at float64) float64 { return math.Sin(1e5 * at) },
		"one in two ways":   func(at float64) float64 { return 0.99 * math.Copysign(1, math.Sin(1e5*at)) },
		"nothing in common": func(float64) float64 { return 0 },
	} {
		for seed := range uint64(50) {
			if got := windows(seed, of).Inverted(40000); len(got) != 0 {
				t.Errorf("%s, seed %d: %v", name, seed, got)
			}
		}
	}
}
