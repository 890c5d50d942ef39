package compare

import (
	"math"
	"slices"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/testsound"
)

// A brief comparison leaves out what each sound reads by itself, and changes nothing of
// what it does read: not the residual either. Matching by loudness needs the meters, so
// that there nothing is left out.
func TestBriefComparisonOmitsOnlyTheMeters(t *testing.T) {
	a := dsp.Block{testsound.Noise(48000, 0.1, 5)}
	b := moved(a, 240, 0.5)
	for i := 20000; i < 20050; i++ {
		b[0][i] += 0.01
	}
	read := func(s Settings) (measure.Readings, dsp.Block) {
		t.Helper()
		sink := wave.NewMemory(wave.Unquantised(48000, 1), make(dsp.Block, 1))
		s.Residual = sink
		c, err := Sounds(t.Context(), opened(a), opened(b), s)
		if err != nil {
			t.Fatal(err)
		}
		return c.Readings(), sink.Planes()
	}
	for _, match := range dsptest.Some(1, []LevelMatch{EqualLoudness, LeastSquares, LevelsAsTheyAre}) {
		full, residual := read(Settings{Match: match})
		brief, same := read(Settings{Match: match, Brief: true})
		if !slices.Equal(residual[0], same[0]) {
			t.Errorf("match %d: the residual is another one", match)
		}
		for _, r := range brief {
			want, ok := full.Get(r.Name)
			if !ok || r.Reading.Value != want.Value || r.Reason != want.Reason {
				t.Errorf("match %d: %s reads %v; accepted: %v", match, r.Name, r.Reading, want)
			}
		}
		left := 0
		for _, r := range full {
			if _, ok := brief.Get(r.Name); !ok {
				left++
			}
		}
		_, loudness := brief.Get("integrated_difference_lu")
		if loudness != (match == EqualLoudness) || (left != 6) != (match == EqualLoudness) {
			t.Errorf("match %d: %d readings are left out, the loudness is there: %v", match, left, loudness)
		}
		if gain, _ := brief.Get("gain_db"); math.Abs(gain.Value+6.0206) > 0.01 { // 20·log10(0.5); the step of 0.01 is 50 frames of 48,000
			t.Errorf("match %d: the gain reads %v; accepted: -6.02 dB", match, gain)
		}
	}
}
