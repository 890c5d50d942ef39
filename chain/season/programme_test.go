package season

import (
	"context"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/chain/receipt"
	"github.com/boothbench/boothbench/chain/tune"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
)

// targetOf returns a target that accepts any amount of limiting.
func targetOf(lufs float64) tune.Target {
	target := tune.TargetLoudness(lufs, -1)
	target.MostLimitingDB = 40
	return target
}

// asOne plans takes as one programme.
func asOne(t testing.TB, takes []Take, lufs float64) *Plan {
	t.Helper()
	target := targetOf(lufs)
	p, err := NewPlan(t.TempDir(), Plan{
		ChainPath: "voice.toml", ChainText: chainText, Program: "one", Shares: 3, Takes: slices.Clone(takes), Target: &target, AsOneProgramme: true, Output: chain.Output{Seed: 1},
	})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// solve runs all shares in a random order, some of them twice, and gathers, until nothing is
// left to do. It returns how many times it gathered.
func solve(t testing.TB, p *Plan, shares int, rng *rand.Rand) (*Programme, int) {
	t.Helper()
	for rounds := 1; rounds <= 6; rounds++ {
		order := append(rng.Perm(shares), rng.IntN(shares))
		for _, k := range order {
			if err := p.Run(t.Context(), k+1, shares, RunSettings{Jobs: 1 + rng.IntN(2)}); err != nil {
				t.Fatal(err)
			}
		}
		g, more, err := p.Solve(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if !more {
			return g, rounds
		}
	}
	t.Fatal("no end")
	return nil, 0
}

// A season as one programme has the bytes of one delivery of all its takes, whatever the
// shares, and is corrected as many times. A take that cannot be read delays no other.
func TestAsOneProgramme(t *testing.T) {
	rng := rand.New(rand.NewPCG(16, 1))
	takes := makeTakes(t, t.TempDir(), 5)
	c, err := chain.Parse("voice.toml", []byte(chainText))
	if err != nil {
		t.Fatal(err)
	}
	corrected := false
	targets, divisions := []float64{loudLUFS}, []int{3}
	if dsptest.IsExhaustive() {
		targets, divisions = []float64{-20, loudLUFS}, []int{1, 3, 7}
	}
	for _, lufs := range targets {
		folder := t.TempDir()
		var jobs []tune.Job
		for _, take := range takes {
			jobs = append(jobs, tune.Job{In: take.Path, Out: filepath.Join(folder, filepath.Base(filepath.Dir(take.Path))+filepath.Base(take.Path))})
		}
		once, err := tune.Deliver(t.Context(), c, targetOf(lufs), jobs, tune.Settings{Output: chain.Output{Seed: 1}, Workers: 1})
		if err != nil {
			t.Fatal(err)
		}
		for _, shares := range divisions {
			withBroken := slices.Clone(takes)
			if shares > 1 {
				broken := filepath.Join(t.TempDir(), "broken.wav")
				if err := os.WriteFile(broken, []byte("no sound"), 0o666); err != nil {
					t.Fatal(err)
				}
				withBroken = append(withBroken, Take{Path: broken, Output: "broken.wav"})
			}
			p := asOne(t, withBroken, lufs)
			g, _ := solve(t, p, shares, rng)
			if math.Abs(*g.LoudnessLUFS-once.LoudnessLUFS) > 1e-9 || g.GainDB != once.GainDB || len(g.Renders) != once.Renders {
				t.Errorf("%d shares: %v dB, %v LUFS, %d renders; one delivery: %v dB, %v LUFS, %d renders", shares, g.GainDB, *g.LoudnessLUFS, len(g.Renders), once.GainDB, once.LoudnessLUFS, once.Renders)
			}
			corrected = corrected || len(g.Renders) > 1
			for i, take := range takes {
				want, err := os.ReadFile(jobs[i].Out)
				if err != nil {
					t.Fatal(err)
				}
				if got, err := os.ReadFile(p.output(take)); err != nil || string(got) != string(want) {
					t.Errorf("%d shares: %s has other bytes (%v)", shares, take.Output, err)
				}
			}
			table, err := p.Gather(true)
			if err != nil || table.Counts[Made] != 5 || table.Counts[Failed] != len(withBroken)-5 {
				t.Error(table.Counts, err)
			}
		}
	}
	if !corrected {
		t.Error("no programme was corrected, so this test compares less than it says")
	}
}

// loudLUFS is loud enough for the limiter's forecast to be off, so that the gain has to be
// corrected.
const loudLUFS = -11.5

// A take that changes later is analysed again, and the gain is found again.
func TestChangedTakeChangesTheGain(t *testing.T) {
	rng := rand.New(rand.NewPCG(16, 2))
	takes := makeTakes(t, t.TempDir(), 5)
	p := asOne(t, takes, -20)
	if err := p.Run(t.Context(), 1, 1, RunSettings{}); err != nil {
		t.Fatal(err)
	}
	if table, err := p.Gather(false); err != nil || table.Counts[Analysed] != 5 || table.Complete() {
		t.Fatal(table.Counts, err)
	}
	before, _ := solve(t, p, 2, rng)
	text, err := os.ReadFile(makeTakes(t, t.TempDir(), 9)[8].Path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(takes[4].Path, text, 0o666); err != nil {
		t.Fatal(err)
	}
	g, _ := solve(t, p, 2, rng)
	want, _ := solve(t, asOne(t, takes, -20), 1, rng)
	if g.GainDB != want.GainDB || g.Analyses != want.Analyses || g.Analyses == before.Analyses {
		t.Errorf("after a take was changed: %v dB, planned anew: %v dB, before %v dB", g.GainDB, want.GainDB, before.GainDB)
	}
}

// A target that cannot be met is refused, and nothing is rendered.
func TestProgrammeIsRefused(t *testing.T) {
	target := tune.TargetLoudness(-2, -1)
	p, err := NewPlan(t.TempDir(), Plan{ChainPath: "voice.toml", ChainText: chainText, Shares: 1, Takes: makeTakes(t, t.TempDir(), 3), Target: &target, AsOneProgramme: true})
	if err != nil {
		t.Fatal(err)
	}
	if err := p.Run(t.Context(), 1, 1, RunSettings{}); err != nil {
		t.Fatal(err)
	}
	if _, _, err := p.Solve(context.Background()); err == nil || !strings.Contains(err.Error(), "-2 LUFS") {
		t.Error(err)
	}
	if _, err := os.Stat(p.output(p.Takes[0])); err == nil {
		t.Error("there is an output")
	}
}

// Outputs are compared with limits, by folder where a limits file states one. Limits of a chain
// are refused.
func TestSeasonLimits(t *testing.T) {
	takes := makeTakes(t, t.TempDir(), 6)
	limits := "schema = 1\n[[expect]]\nchannels = { min = 1, max = 2 }\n[[expect]]\nfiles = [\"ep01/*.wav\"]\nchannels = { min = 3 }\n"
	p, err := NewPlan(t.TempDir(), Plan{ChainPath: "voice.toml", ChainText: chainText, Shares: 1, Takes: takes, LimitsText: limits})
	if err != nil {
		t.Fatal(err)
	}
	if got := run(t, p, 1, 1, RunSettings{}); got[Made] != 6 {
		t.Fatal(got)
	}
	table, err := p.Gather(false)
	if err != nil || table.Limits != 8 || table.NotMet != 2 {
		t.Errorf("%d limits, %d not met, want 8 and 2 (%v)", table.Limits, table.NotMet, err)
	}
	for _, r := range table.Rows {
		if low := r.group() == "ep01"; (len(r.NotMet) == 1) != low {
			t.Errorf("%s: %v", r.Output, r.NotMet)
		}
	}
	page := string(p.Page(table, "boothbench, of a test").HTML())
	if !strings.Contains(page, "2 of 8 limits are not met") || strings.Contains(page, p.folder) {
		t.Error("the page states no limits, or names a folder of this machine")
	}
	for _, bad := range []string{"schema = 1\n[[expect]]\nchain = \"voice.toml\"\nclaims_failed = { max = 0 }\n", "schema = 1\n[[expect]]\nspec = \"nobody's\"\n"} {
		if _, err := NewPlan(t.TempDir(), Plan{ChainPath: "voice.toml", ChainText: chainText, Shares: 1, Takes: takes, LimitsText: bad}); err == nil {
			t.Errorf("accepted: %s", bad)
		}
	}
}

// After any interruption a season still makes the same bytes: takes whose outputs, receipts,
// analyses or loudness were lost or truncated at random are made again.
func TestLostFilesAreMadeAgain(t *testing.T) {
	rng := rand.New(rand.NewPCG(16, 3))
	takes := makeTakes(t, t.TempDir(), 20)
	once := asOne(t, takes, -20)
	solve(t, once, 1, rng)
	want := outputs(t, once)
	rounds := 4
	if dsptest.IsExhaustive() {
		rounds = 40
	}
	p := asOne(t, takes, -20)
	for range rounds {
		for k := range 3 {
			if rng.IntN(3) > 0 {
				p.Run(t.Context(), k+1, 3, RunSettings{})
			}
		}
		if rng.IntN(2) == 0 {
			if _, _, err := p.Solve(t.Context()); err != nil {
				t.Fatal(err)
			}
		}
		for range 1 + rng.IntN(4) {
			take := p.Takes[rng.IntN(len(p.Takes))]
			files := []string{p.output(take), receipt.PathFor(p.output(take)), p.analysisOf(take), receipt.PathFor(p.analysisOf(take)), p.profilePath(p.output(take))}
			file := files[rng.IntN(len(files))]
			if info, err := os.Stat(file); err == nil && rng.IntN(2) == 0 {
				os.Truncate(file, rng.Int64N(info.Size()+1))
			} else {
				os.Remove(file)
			}
		}
	}
	solve(t, p, 2, rng)
	for name, bytes := range outputs(t, p) {
		if bytes != want[name] {
			t.Errorf("%s has other bytes", name)
		}
	}
	if table, err := p.Gather(true); err != nil || !table.Complete() {
		t.Error(table.Counts, err)
	}
	var left []wave.Leftover
	if err := p.Sweep(func(l wave.Leftover) { left = append(left, l) }); err != nil || left != nil {
		t.Error(left, err)
	}
}

// A programme is compared with the largest range, which is that of all takes together, even if
// their rates differ. Where its loudness cannot be met, the nearest is rendered, and the season
// states that.
func TestProgrammeOverTheRangeOrOutOfReach(t *testing.T) {
	takes := makeTakes(t, t.TempDir(), 20)
	for _, c := range []struct {
		name string
		set  func(*tune.Target)
		want string
	}{
		{"range", func(target *tune.Target) { most := 0.1; target.RangeMaxLU = &most }, "the loudness range of all takes is"},
		{"nearest", func(target *tune.Target) { target.LoudnessLUFS, target.Nearest = -3, true }, ""},
	} {
		target := targetOf(-20)
		c.set(&target)
		target.LeastLUFS, target.MostLUFS = target.LoudnessLUFS-0.1, target.LoudnessLUFS+0.1
		p, err := NewPlan(t.TempDir(), Plan{ChainPath: "voice.toml", ChainText: chainText, Program: "one", Shares: 1, Takes: slices.Clone(takes), Output: chain.Output{Seed: 1}, Target: &target, AsOneProgramme: true})
		if err != nil {
			t.Fatal(err)
		}
		g, _ := solve(t, p, 1, rand.New(rand.NewPCG(1, 1)))
		table, err := p.Gather(false)
		if err != nil {
			t.Fatal(err)
		}
		if !table.Complete() || table.NotMet == 0 || len(g.Missed) == 0 || !strings.Contains(g.Missed[0], c.want) {
			t.Errorf("%s: complete %v, %d not met, missed %v", c.name, table.Complete(), table.NotMet, g.Missed)
		}
		var joined []float64 // all outputs at one rate
		for _, r := range table.Rows {
			l := profileAt(t, p.output(r.Take))
			joined = append(joined, l...)
		}
		want, _ := measure.LoudnessProfile{RateHz: 48000, Energies: joined}.Range()
		if g.RangeLU == nil || math.Abs(*g.RangeLU-want) > 1e-6 {
			t.Errorf("%s: a range of %v LU, want %.3f", c.name, g.RangeLU, want)
		}
	}
}

// profileAt returns the mean squares of each 100 ms of a file, as energies at 48 kHz.
func profileAt(t testing.TB, path string) []float64 {
	t.Helper()
	r, err := wave.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	l, err := measure.NewLoudness(measure.LoudnessSettings{Rate: r.Format().Rate, Channels: r.Format().Channels})
	if err != nil {
		t.Fatal(err)
	}
	if err := measure.EachBlock(t.Context(), r, l.Write); err != nil {
		t.Fatal(err)
	}
	p := l.Profile()
	for i := range p.Energies {
		p.Energies[i] *= 48000 / float64(r.Format().Rate)
	}
	return p.Energies
}
