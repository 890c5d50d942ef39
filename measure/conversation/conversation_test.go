package conversation

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/dsptest/takes"
	"github.com/boothbench/boothbench/dsp/wave"
)

func microphones(rate int, sounds [][]float64) (all []Microphone) {
	for i, x := range sounds {
		all = append(all, Microphone{Name: fmt.Sprintf("microphone %d", i+1), Open: func() (wave.Source, error) {
			return wave.NewMemory(wave.Unquantised(rate, 1), dsp.Block{x}), nil
		}})
	}
	return all
}

func measured(t testing.TB, rate int, sounds [][]float64) *Conversation {
	t.Helper()
	c, err := Measure(context.Background(), microphones(rate, sounds), nil)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// Planted delays, bleeds, levels and polarities are found again, for all voices and turns, with
// noise, drifting clocks and recorders started at different times. Tolerances: an engineer
// needs 0.02 frames and 0.5 dB, and 0.1 ppm is a frame in three minutes at 48 kHz. A delay must
// be within 0.02 frames where its standard error allows that, which is close to the least of
// any method (see informationOf). Most delays must be that certain, and none may be missing.
func TestPlantedPathsAreFound(t *testing.T) {
	seconds := 30.0
	if dsptest.IsExhaustive() {
		seconds = 50
	}
	var all tally
	var errors, deviations, least []float64
	for _, seed := range dsptest.Some(1, []uint64{1, 0, 2, 3, 4, 5, 6, 7, 10, 11}) {
		s := newScene(t, 2+int(seed)/2%2, seconds, seed)
		last := len(s.voices) - 1
		s.inverted[1] = seed%2 == 1
		if seed%2 == 0 {
			s.driftPPM[last] = 120*s.rng.Float64() - 60
		}
		if seed%4 > 1 {
			s.offset[last] = (4*s.rng.Float64() - 2) * float64(s.rate)
		}
		c := measured(t, s.rate, s.sounds())
		one := s.check(t, fmt.Sprintf("seed %d", seed), c)
		e, d, l := s.overBound(t, c)
		errors, deviations, least = append(errors, e...), append(deviations, d...), append(least, l...)
		if one.declined > 0 {
			t.Errorf("seed %d: %d ways were declined", seed, one.declined)
		}
		if one.mostBleed > 0.5 {
			t.Errorf("seed %d: a bleed is %.2f dB off", seed, one.mostBleed)
		}
		all.add(one)
	}
	if all.sharp < all.ways*3/4 {
		t.Errorf("of %d delays %d are known to 0.02 frames", all.ways, all.sharp)
	}
	if all.mostSharp > 0.02 {
		t.Errorf("a delay that is said to be known to 0.02 frames is %.3f off", all.mostSharp)
	}
	// No method can be better than the bound. The errors together are within 1.4 times the
	// bound (1.19 when this was written; the rms of 40 errors varies by 0.11). Less than 0.8
	// would mean that the bound is wrong.
	off := rootMeanSquare(errors)
	if off > 1.4 && len(errors) >= 40 || off < 0.8 && len(errors) >= 40 {
		t.Errorf("the errors of %d delays are %.2f times the least that they can be", len(errors), off)
	}
	for k, bound := range least {
		if bound <= 0.02/3 && math.Abs(errors[k]*bound) > 0.02 {
			t.Errorf("a delay is %.4f frames off, where ± %.4f are possible", errors[k]*bound, bound)
		}
		if stated := deviations[k] * bound; bound <= 0.004 && stated > 0.008 {
			t.Errorf("a delay is known to %.4f frames, where %.4f are possible", stated, bound)
		}
	}
	t.Logf("%v; errors %.2f of the bound, stated %.2f", all, off, rootMeanSquare(deviations))
}

// In any conversation, 19 of 20 readings lie within twice their standard error, and none is
// more than five times away: in rooms, with moving heads, simultaneous voices, microphones of
// different noise, and clocks that all differ. Readings that cannot be made are missing, but
// not often.
func TestHonestUncertainty(t *testing.T) {
	dsptest.Exhaustive(t)
	var all tally
	for _, kind := range dsptest.Some(1, kinds) {
		var of tally
		for _, seed := range dsptest.Some(1, []uint64{20, 21, 22, 23}) {
			seconds := 50.0
			if !dsptest.IsExhaustive() {
				seconds = 30
			}
			s := newScene(t, 2+int(seed)/2%2, seconds, seed)
			kind.change(s)
			of.add(s.check(t, fmt.Sprintf("%s, seed %d", kind.name, seed), measured(t, s.rate, s.sounds())))
		}
		t.Logf("%s: %v", kind.name, of)
		if 5*of.declined > of.ways {
			t.Errorf("%s: %d ways were measured, %d declined", kind.name, of.ways, of.declined)
		}
		all.add(of)
	}
	if all.readings == 0 || all.within < all.readings*19/20 {
		t.Errorf("%d of %d readings lie within two standard errors", all.within, all.readings)
	}
	// Standard errors that are far too large would pass the checks above. (The ratio was 0.4
	// for bleeds and 0.7 for delays when this was written.)
	if bleeds, delays := rootMeanSquare(all.bleeds), rootMeanSquare(all.delays); bleeds < 0.3 || delays < 0.3 || bleeds > 1.3 || delays > 1.3 {
		t.Errorf("errors are %.2f times their standard errors for bleeds, %.2f for delays; want 0.3 to 1.3", bleeds, delays)
	}
}

// tally holds the counts of check.
type tally struct {
	ways, declined   int
	readings, within int       // bleeds and delays, and those of them within two standard errors
	mostBleed        float64   // largest error, dB
	sharp            int       // number of delays with standard errors up to 0.008 frames: 0.02 are 2.5 of them
	mostSharp        float64   // largest error of these, frames
	bleeds, delays   []float64 // errors divided by their standard errors
}

func (a *tally) add(b tally) {
	a.ways, a.declined = a.ways+b.ways, a.declined+b.declined
	a.readings, a.within = a.readings+b.readings, a.within+b.within
	a.mostBleed, a.mostSharp = max(a.mostBleed, b.mostBleed), max(a.mostSharp, b.mostSharp)
	a.sharp += b.sharp
	a.bleeds, a.delays = append(a.bleeds, b.bleeds...), append(a.delays, b.delays...)
}

func (a tally) String() string {
	return fmt.Sprintf("%d paths, %d declined; %d of %d readings within two standard errors; %d delays to 0.008 frames, the worst %.4f off; the worst bleed %.2f dB off; errors over standard errors: bleeds %.2f, delays %.2f",
		a.ways, a.declined, a.within, a.readings, a.sharp, a.mostSharp, a.mostBleed, rootMeanSquare(a.bleeds), rootMeanSquare(a.delays))
}

func (s *scene) check(t *testing.T, name string, c *Conversation) (all tally) {
	t.Helper()
	hold := func(what string, p Path, got, want, deviation float64) float64 {
		off := math.Abs(got - want)
		all.readings++
		if off <= 2*deviation {
			all.within++
		} else {
			t.Logf("%s: voice %d in microphone %d: %s of %.3f ± %.3f, want %.3f", name, p.Voice, p.Microphone, what, got, deviation, want)
		}
		if off > 5*deviation {
			t.Errorf("%s: voice %d in microphone %d: %s of %.3f ± %.3f, want %.3f", name, p.Voice, p.Microphone, what, got, deviation, want)
		}
		return off
	}
	for _, p := range c.Paths {
		i, j := p.Voice, p.Microphone
		if p.BleedDB == nil || p.DelayFrames == nil {
			all.declined++
			if p.BleedAtMostDB != nil && *p.BleedAtMostDB < s.trueBleedDB(i, j) {
				t.Errorf("%s: voice %d in microphone %d is at most %.2f dB; planted %.2f", name, i, j, *p.BleedAtMostDB, s.trueBleedDB(i, j))
			}
			t.Logf("%s: voice %d in microphone %d: %s; planted %.2f dB", name, i, j, p.Reason, s.bleedDB[i][j])
			continue
		}
		all.ways++
		offDB := hold("a bleed in dB", p, *p.BleedDB, s.trueBleedDB(i, j), *p.BleedDeviationDB)
		all.mostBleed, all.bleeds = max(all.mostBleed, offDB), append(all.bleeds, offDB / *p.BleedDeviationDB)
		want := (s.delay[i][j] + s.offset[j] - s.offset[i]) * (1 + s.driftPPM[j]*1e-6)
		off := hold("a delay in frames", p, *p.DelayFrames, want, *p.DelayDeviationFrames)
		all.delays = append(all.delays, off / *p.DelayDeviationFrames)
		if *p.DelayDeviationFrames <= 0.008 {
			all.sharp++
			all.mostSharp = max(all.mostSharp, off)
		}
		if inverted := s.inverted[i] != s.inverted[j]; *p.Inverted != inverted {
			t.Errorf("%s: voice %d in microphone %d: inverted is %v, want %v", name, i, j, *p.Inverted, inverted)
		}
	}
	for _, p := range c.Pairs {
		if p.DriftPPM == nil {
			continue // counted with its paths
		}
		want := s.driftPPM[p.B] - s.driftPPM[p.A]
		if math.Abs(*p.DriftPPM-want) > max(0.1, 5**p.DriftDeviationPPM) {
			t.Errorf("%s: microphones %d and %d drift by %.3f ± %.3f ppm, want %.3f", name, p.A, p.B, *p.DriftPPM, *p.DriftDeviationPPM, want)
		}
	}
	return all
}

// Recordings that are not a conversation get no figures, and the reason is stated.
func TestUnrelatedRecordingsGetNoFigures(t *testing.T) {
	type trap struct {
		name, reason string
		sounds       func(s *scene) [][]float64
	}
	traps := []trap{
		{"no bleed", "no bleed found", func(s *scene) [][]float64 {
			s.bleedDB = [][]float64{{0, math.Inf(-1)}, {math.Inf(-1), 0}}
			return s.sounds()
		}},
		{"one speaker", "voice", func(s *scene) [][]float64 {
			s.voices[1] = make([]float64, len(s.voices[1]))
			return s.sounds()
		}},
		{"identical", "are the same sound", func(s *scene) [][]float64 {
			x := s.sounds()
			return [][]float64{x[0], x[0]}
		}},
		{"copies at another level", "one speaker, or copies of one sound", func(s *scene) [][]float64 {
			x := s.sounds()
			y := delayed(x[0], 31.25)
			for n := range y {
				y[n] *= -0.3
			}
			return [][]float64{x[0], y}
		}},
		{"ends before its voice speaks", "and no voice of its own is in that part", func(s *scene) [][]float64 {
			x := s.sounds()
			for n := range x[0] { // only the first voice, for 12 s
				if n < 12*s.rate {
					x[1][n] = 0.1 * x[0][n]
				}
			}
			return [][]float64{x[0], x[1][:12*s.rate]}
		}},
		{"loud music bed", "", func(s *scene) [][]float64 {
			s.shared = takes.Music(len(s.voices[0]), s.rate, 1)
			return s.sounds()
		}},
		{"silence", "is silent", func(s *scene) [][]float64 {
			x := s.sounds()
			return [][]float64{x[0], make([]float64, len(x[0]))}
		}},
		{"noise alone", "has no pauses", func(s *scene) [][]float64 {
			x := s.sounds()
			return [][]float64{x[0], takes.RoomNoise("white", len(x[0]), s.rate, -40, 3)}
		}},
		{"cut", "", func(s *scene) [][]float64 {
			x := s.sounds()
			at, gone := len(x[1])/2, s.rate/3
			return [][]float64{x[0], append(slices.Clone(x[1][:at]), x[1][at+gone:]...)}
		}},
	}
	seconds := 30.0
	if dsptest.IsExhaustive() {
		seconds = 40
	}
	for _, seed := range dsptest.Some(1, []uint64{0, 1, 2}) {
		for _, trap := range dsptest.Some(3, traps) {
			s := newScene(t, 2, seconds, seed)
			c := measured(t, s.rate, trap.sounds(s))
			for _, p := range c.Paths {
				if p.BleedDB != nil || p.DelayFrames != nil || p.Inverted != nil || !strings.Contains(p.Reason, trap.reason) {
					t.Errorf("%s, seed %d: voice %d in microphone %d: %v; want none, for %q", trap.name, seed, p.Voice, p.Microphone, pathText(p), trap.reason)
				}
			}
		}
	}
}

func pathText(p Path) string {
	if p.BleedDB == nil {
		return p.Reason
	}
	return fmt.Sprintf("%.2f dB, %.3f frames later", *p.BleedDB, *p.DelayFrames)
}
