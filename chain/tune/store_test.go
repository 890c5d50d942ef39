package tune

import (
	"context"
	"math/rand/v2"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
)

// A stored analysis gives the same gain. An analysis of another chain is refused, and so is one
// that was truncated or changed anywhere.
func TestStoredAnalysis(t *testing.T) {
	rate, b := talk(t, -26)
	c := parsed(t, withCompressor)
	a, err := Analyse(context.Background(), c, wave.NewMemory(wave.Unquantised(rate, 1), b), AnalyseOptions{})
	if err != nil {
		t.Fatal(err)
	}
	data, err := a.MarshalBinary()
	if err != nil {
		t.Fatal(err)
	}
	var again Analysis
	if err := again.UnmarshalBinary(data); err != nil {
		t.Fatal(err)
	}
	first, err := Solve(c, anything(-16), a)
	if err != nil {
		t.Fatal(err)
	}
	second, err := Solve(c, anything(-16), &again)
	if err != nil || first.GainDB != second.GainDB || first.Cost != second.Cost {
		t.Errorf("%v, stored %v, %v", first.GainDB, second, err)
	}
	if _, err := Solve(parsed(t, limiterAlone), anything(-16), &again); err == nil {
		t.Error("the analysis of another chain was taken")
	}
	rng := rand.New(rand.NewPCG(14, 1))
	for range 200 {
		damaged := append([]byte{}, data...)
		if rng.IntN(2) == 0 {
			damaged = damaged[:rng.IntN(len(damaged))]
		} else {
			damaged[rng.IntN(len(damaged))] ^= 1 << rng.IntN(8)
		}
		if new(Analysis).UnmarshalBinary(damaged) == nil {
			t.Fatal("a damaged analysis was taken")
		}
	}
}

// Neither the number of goroutines nor the block size changes an analysis.
func TestAnalysisDoesNotDependOnBlocks(t *testing.T) {
	rate, b := talk(t, -20)
	stereo := dsp.Block{b[0], append(make([]float64, 4801), b[0][:len(b[0])-4801]...)}
	unlinked := parsed(t, "schema = 1\n[[stage]]\nkind = \"limiter\"\nlink_channels = false\n")
	var gains []float64
	for _, workers := range []int{1, 3} {
		a, err := Analyse(context.Background(), unlinked, wave.NewMemory(wave.Unquantised(rate, 2), stereo), AnalyseOptions{Workers: workers})
		if err != nil {
			t.Fatal(err)
		}
		if len(a.paths) != 2 {
			t.Errorf("%d paths for two channels with a gain each", len(a.paths))
		}
		s, err := Solve(unlinked, anything(-12), a)
		if err != nil {
			t.Fatal(err)
		}
		gains = append(gains, s.GainDB)
	}
	if gains[0] != gains[1] {
		t.Errorf("%v", gains)
	}
}
