package season

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/chain/receipt"
	"github.com/boothbench/boothbench/chain/tune"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
)

// chainText has state that a reset must clear: filters, dynamics, a verified limiter.
const chainText = `schema = 1
name = "Harbour Street"

[[stage]]
kind = "highpass"
corner_hz = 80
slope_db_per_octave = 12

[[stage]]
kind = "compressor"
threshold_dbfs = -24
ratio = 3

[[stage]]
kind = "limiter"
ceiling_dbtp = -1
lookahead_ms = 3
`

// makeTakes writes synthetic takes of several rates, channels and lengths, in episodes of four.
func makeTakes(t testing.TB, folder string, count int) []Take {
	t.Helper()
	var takes []Take
	for i := range count {
		rate, channels := []int{16000, 48000}[i%2], 1+i/2%2
		planes := dsptest.Speechlike(rate, channels, rate*(2+i%5)/10, uint64(i))
		output := fmt.Sprintf("ep%02d/take%d.wav", i/4, i%4)
		takes = append(takes, writeTake(t, folder, output, rate, planes))
	}
	return takes
}

// writeTake writes a take of 16 bits at a rate in Hz.
func writeTake(t testing.TB, folder, output string, rate int, planes dsp.Block) Take {
	t.Helper()
	path := filepath.Join(folder, filepath.FromSlash(output))
	if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
		t.Fatal(err)
	}
	w, err := wave.Create(path, wave.Format{Rate: rate, Channels: len(planes), Encoding: wave.Integer, Bits: 16}, wave.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Write(planes); err != nil {
		t.Fatal(err)
	}
	if err := w.Commit(); err != nil {
		t.Fatal(err)
	}
	return Take{Path: path, Output: output}
}

func plan(t testing.TB, folder string, takes []Take, shares int) *Plan {
	t.Helper()
	p, err := NewPlan(folder, Plan{ChainPath: "voice.toml", ChainText: chainText, Program: "one", Shares: shares, Takes: slices.Clone(takes), Output: chain.Output{Seed: 1}})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// run runs a share and counts its takes by state.
func run(t testing.TB, p *Plan, k, n int, s RunSettings) map[State]int {
	t.Helper()
	count := map[State]int{}
	s.Done = func(o Outcome) {
		count[o.State]++
		if o.State == Stopped {
			t.Error(o.Output, o.Err)
		}
	}
	if err := p.Run(context.Background(), k, n, s); err != nil {
		t.Fatal(err)
	}
	return count
}

// outputs returns the outputs' bytes.
func outputs(t testing.TB, p *Plan) map[string]string {
	t.Helper()
	all := map[string]string{}
	for _, take := range p.Takes {
		text, err := os.ReadFile(p.output(take))
		if err != nil {
			t.Fatal(err)
		}
		all[take.Output] = string(text)
	}
	return all
}

// Every take is in exactly one share, and shares take equally long. With log-normal lengths the
// longest share is at most 1.02 times the mean. This is required where no take is longer than
// half a share; with 1,000 takes in 100 shares one take is, and it still holds.
func TestSharesTakeEquallyLong(t *testing.T) {
	for _, one := range dsptest.Some(4, []struct{ takes, shares int }{{1000, 1}, {1000, 2}, {1000, 20}, {1000, 100}, {10_000, 100}}) {
		rng := rand.New(rand.NewPCG(1, 2))
		p := &Plan{}
		var whole int64
		for i := range one.takes {
			bytes := int64(2e6 * math.Exp(0.8*rng.NormFloat64()))
			p.Takes = append(p.Takes, Take{Path: fmt.Sprint(i), Bytes: bytes})
			whole += bytes + fixedBytes
		}
		seen, largest := map[string]bool{}, int64(0)
		for k := 1; k <= one.shares; k++ {
			work := int64(0)
			for _, take := range p.Share(k, one.shares) {
				if seen[take.Path] {
					t.Fatalf("take %s is in two of %d shares", take.Path, one.shares)
				}
				seen[take.Path] = true
				work += take.Bytes + fixedBytes
			}
			largest = max(largest, work)
		}
		if len(seen) != len(p.Takes) {
			t.Errorf("%d takes in %d shares, want %d", len(seen), one.shares, len(p.Takes))
		}
		mean := float64(whole) / float64(one.shares)
		if ratio := float64(largest) / mean; ratio > 1.02 {
			t.Errorf("the largest of %d shares is %.3f of the mean", one.shares, ratio)
		}
		t.Logf("%d takes in %d shares: the largest is %.4f of the mean", one.takes, one.shares, float64(largest)/mean)
	}
}

// receiptsOf returns the texts of the receipts, without the times and the outputs' folder,
// which differ from season to season.
func receiptsOf(t testing.TB, p *Plan) map[string]string {
	t.Helper()
	all := map[string]string{}
	for _, take := range p.Takes {
		r, err := receipt.Load(p.output(take))
		if err != nil {
			t.Fatal(err)
		}
		r.Written, r.Output.Modified = time.Time{}, time.Time{}
		if r.Output.Path, err = filepath.Rel(p.folder, r.Output.Path); err != nil {
			t.Fatal(err)
		}
		text, err := json.MarshalIndent(r, "", " ")
		if err != nil {
			t.Fatal(err)
		}
		all[take.Output] = string(text)
	}
	return all
}

// Bytes and receipts do not depend on the shares, on their order or on how often they are run.
// An engine that is used again gives the bytes of a new one.
func TestBytesDoNotDependOnShares(t *testing.T) {
	number := 12
	if dsptest.IsExhaustive() {
		number = 200
	}
	takes := makeTakes(t, t.TempDir(), number)
	once := plan(t, t.TempDir(), takes, 1)
	if got := run(t, once, 1, 1, RunSettings{}); got[Made] != number {
		t.Fatal(got)
	}
	want := outputs(t, once)
	c, err := chain.Parse("voice.toml", []byte(chainText))
	if err != nil {
		t.Fatal(err)
	}
	for _, take := range takes {
		reader, err := wave.Open(take.Path)
		if err != nil {
			t.Fatal(err)
		}
		engine, err := c.Prepare(reader.Format().Rate, reader.Format().Channels)
		if err != nil {
			t.Fatal(err)
		}
		path := filepath.Join(t.TempDir(), "one.wav")
		w, _, err := engine.Render(t.Context(), reader, path, chain.Output{Seed: 1}, wave.Options{}, chain.Options{})
		if err == nil {
			err = w.Commit()
		}
		reader.Close()
		if alone, _ := os.ReadFile(path); err != nil || string(alone) != want[take.Output] {
			t.Errorf("%s: another sound than by a new engine (%v)", take.Output, err)
		}
	}
	receipts := receiptsOf(t, once)
	rng := rand.New(rand.NewPCG(5, 6))
	for _, n := range []int{1, 2, 5, 20, 100} {
		p := plan(t, t.TempDir(), takes, n)
		for _, k := range rng.Perm(n) {
			run(t, p, k+1, n, RunSettings{Jobs: 2})
			run(t, p, k+1, n, RunSettings{})
		}
		for name, r := range receiptsOf(t, p) {
			if r != receipts[name] {
				t.Errorf("%d shares: the receipt of %s is\n%s\nwant\n%s", n, name, r, receipts[name])
			}
		}
		for name, bytes := range outputs(t, p) {
			if bytes != want[name] {
				t.Errorf("%d shares: %s has other bytes", n, name)
			}
		}
		table, err := p.Gather(true)
		if err != nil || !table.Complete() {
			t.Error(table.Counts, err)
		}
	}
}

// A run makes exactly the missing outputs: five of 1,000 takes, after one output and one
// receipt were removed, one output and one receipt were truncated, and one take was touched.
func TestRunMakesOnlyMissingOutputs(t *testing.T) {
	number := 8
	if dsptest.IsExhaustive() {
		number = 1000
	}
	takes := makeTakes(t, t.TempDir(), number)
	p := plan(t, t.TempDir(), takes, 1)
	run(t, p, 1, 1, RunSettings{})
	want := outputs(t, p)
	os.Remove(p.output(p.Takes[0]))
	os.Remove(receipt.PathFor(p.output(p.Takes[1])))
	if err := os.Truncate(p.output(p.Takes[2]), 100); err != nil {
		t.Fatal(err)
	}
	// A loss of power can leave an empty receipt, because receipts are not synced to the disk.
	if err := os.Truncate(receipt.PathFor(p.output(p.Takes[4])), 0); err != nil {
		t.Fatal(err)
	}
	later := time.Now().Add(time.Hour)
	if err := os.Chtimes(p.Takes[3].Path, later, later); err != nil {
		t.Fatal(err)
	}
	table, err := p.Gather(false)
	if err != nil || table.Counts[Made] != number-4 { // the touched take still has the same bytes
		t.Error(table.Counts, err)
	}
	if got := run(t, p, 1, 1, RunSettings{}); got[Made] != 5 || got[WasDone] != number-5 {
		t.Error(got)
	}
	if got := run(t, p, 1, 1, RunSettings{ByContent: true}); got[WasDone] != number {
		t.Error(got)
	}
	for name, bytes := range outputs(t, p) {
		if bytes != want[name] {
			t.Errorf("%s has other bytes", name)
		}
	}
}

// A changed byte is detected only by the digest.
func TestGatherFindsAChangedByte(t *testing.T) {
	p := plan(t, t.TempDir(), makeTakes(t, t.TempDir(), 4), 1)
	run(t, p, 1, 1, RunSettings{})
	out := p.output(p.Takes[2])
	info, _ := os.Stat(out)
	text, _ := os.ReadFile(out)
	text[len(text)/2] ^= 1
	if err := os.WriteFile(out, text, 0o666); err != nil {
		t.Fatal(err)
	}
	os.Chtimes(out, info.ModTime(), info.ModTime())
	if table, err := p.Gather(false); err != nil || !table.Complete() {
		t.Error(table.Counts, err)
	}
	if table, err := p.Gather(true); err != nil || table.Counts[Corrupt] != 1 || table.Rows[2].State != Corrupt {
		t.Error(table.Counts, err)
	}
}

// A take that cannot be read fails once, with its reason, and delays no other. A take whose
// attempts never end is given up after three.
func TestUnreadableTakeFailsOnce(t *testing.T) {
	takes := makeTakes(t, t.TempDir(), 4)
	if err := os.WriteFile(takes[1].Path, []byte("no sound"), 0o666); err != nil {
		t.Fatal(err)
	}
	p := plan(t, t.TempDir(), takes, 1)
	count := attemptsAt(p.output(p.Takes[0]))
	for range mostAttempts { // attempts whose process ended
		if _, err := count.begin(); err != nil {
			t.Fatal(err)
		}
	}
	for range 2 {
		if got := run(t, p, 1, 1, RunSettings{}); got[Failed] != 2 || got[Made]+got[WasDone] != 2 {
			t.Fatal(got)
		}
	}
	table, err := p.Gather(false)
	if err != nil || table.Counts[Failed] != 2 || !strings.Contains(table.Rows[0].Note, "started 3 times") || !strings.Contains(table.Rows[1].Note, takes[1].Path) {
		t.Error(table.Rows, err)
	}
	if got := run(t, p, 1, 1, RunSettings{Again: true}); got[Failed] != 1 || got[Made] != 1 {
		t.Error(got)
	}
}

// Takes that were interrupted 20 times in the middle, as by a scheduler that needs the node,
// are made by the next run: interrupted attempts do not count.
func TestInterruptedTakesAreMade(t *testing.T) {
	p := plan(t, t.TempDir(), makeTakes(t, t.TempDir(), 4), 1)
	for n := range 20 {
		for _, take := range p.Takes {
			ctx, cancel := context.WithCancel(t.Context())
			w := worker{plan: p, engines: map[[2]int]*chain.Engine{}}
			w.todo = w.steps()
			made := w.todo[0].make
			w.todo[0].make = func(ctx context.Context, t Take, out string, r *receipt.Receipt) error {
				cancel() // the attempt has been counted by now
				return made(ctx, t, out, r)
			}
			if o := w.do(ctx, take); o.State != Stopped || !errors.Is(o.Err, context.Canceled) {
				t.Fatalf("run %d: %s: %s, %v; want it stopped", n, take.Output, o.State, o.Err)
			}
		}
	}
	if got := run(t, p, 1, 1, RunSettings{}); got[Made] != 4 {
		t.Error(got)
	}
}

// Two simultaneous attempts at one share both succeed, and leave one file with the right bytes.
func TestTwoRunsOfOneShareAtOnce(t *testing.T) {
	takes := makeTakes(t, t.TempDir(), 2)
	once := plan(t, t.TempDir(), takes, 1)
	run(t, once, 1, 1, RunSettings{})
	want := outputs(t, once)
	rounds := 5
	if dsptest.IsExhaustive() {
		rounds = 100
	}
	for range rounds {
		p := plan(t, t.TempDir(), takes, 1)
		var both sync.WaitGroup
		for range 2 {
			both.Go(func() { run(t, p, 1, 1, RunSettings{}) })
		}
		both.Wait()
		for name, bytes := range outputs(t, p) {
			if bytes != want[name] {
				t.Fatalf("%s has other bytes", name)
			}
		}
		if table, err := p.Gather(true); err != nil || !table.Complete() {
			t.Fatalf("%+v %v", table.Rows, err)
		}
	}
}

// A plan cannot be changed, and is refused once its chain or program is a different one.
func TestPlanOfAnotherChainIsRefused(t *testing.T) {
	folder, takes := t.TempDir(), makeTakes(t, t.TempDir(), 2)
	path := filepath.Join(folder, "voice.toml")
	if err := os.WriteFile(path, []byte(chainText), 0o666); err != nil {
		t.Fatal(err)
	}
	p := Plan{ChainPath: path, ChainText: chainText, Program: "one", Shares: 3, Takes: takes}
	if _, err := NewPlan(folder, p); err != nil {
		t.Fatal(err)
	}
	if _, err := NewPlan(folder, p); err != nil {
		t.Error("the same plan again: ", err)
	}
	other := p
	other.Shares = 4
	if _, err := NewPlan(folder, other); err == nil {
		t.Error("another plan replaces the first")
	}
	loaded, err := Load(folder)
	if err != nil {
		t.Fatal(err)
	}
	if err := loaded.Check("one"); err != nil {
		t.Error(err)
	}
	var changed *ChangedError
	if err := loaded.Check("two"); !errors.As(err, &changed) {
		t.Error(err)
	}
	if err := os.WriteFile(path, []byte(chainText+"\n"), 0o666); err != nil {
		t.Fatal(err)
	}
	if err := loaded.Check("one"); !errors.As(err, &changed) {
		t.Error(err)
	}
	for _, bad := range []string{"../up.wav", "/abs.wav", "", "a/../../b.wav"} {
		q := p
		q.Takes = []Take{{Path: takes[0].Path, Output: bad}}
		if _, err := NewPlan(t.TempDir(), q); err == nil {
			t.Errorf("the output %q is accepted", bad)
		}
	}
}

// In a season that delivers, every take meets the loudness by itself.
func TestSeasonDelivers(t *testing.T) {
	takes := makeTakes(t, t.TempDir(), 3)
	target := tune.TargetLoudness(-23, -1)
	p, err := NewPlan(t.TempDir(), Plan{ChainPath: "voice.toml", ChainText: chainText, Shares: 1, Takes: takes, Target: &target, Output: chain.Output{Seed: 1}})
	if err != nil {
		t.Fatal(err)
	}
	again, err := Load(p.folder)
	if err != nil {
		t.Fatal(err)
	}
	err = again.Run(t.Context(), 1, 1, RunSettings{Done: func(o Outcome) {
		if o.State == Failed { // 0.2 s have no loudness
			return
		}
		if got := o.Receipt.Readings["integrated_lufs"]; got == nil || math.Abs(*got+23) > 0.1 {
			t.Errorf("%s: %v, want -23 LUFS", o.Output, got)
		}
	}})
	if err != nil {
		t.Fatal(err)
	}
}

// A season has the warnings of a delivery about the two channels of an output, whether its takes
// are processed, delivered one by one, or as one programme.
func TestFaultsOfChannelsAreNoted(t *testing.T) {
	folder := t.TempDir()
	voice := dsptest.Speechlike(16000, 1, 32000, 1)[0]
	inverted := make([]float64, len(voice))
	for n, v := range voice {
		inverted[n] = -v
	}
	takes := []Take{
		writeTake(t, folder, "one-side.wav", 16000, dsp.Block{voice, make([]float64, len(voice))}),
		writeTake(t, folder, "inverted.wav", 16000, dsp.Block{voice, inverted}),
		writeTake(t, folder, "right.wav", 16000, dsp.Block{voice, voice}),
	}
	want := map[string]string{"one-side.wav": "channel 2 is silent", "inverted.wav": "in mono they cancel"}
	target := tune.TargetLoudness(-23, -1)
	for _, as := range []Plan{{}, {Target: &target}, {Target: &target, AsOneProgramme: true}} {
		as.ChainPath, as.ChainText, as.Shares, as.Takes, as.Output = "voice.toml", chainText, 1, slices.Clone(takes), chain.Output{Seed: 1}
		p, err := NewPlan(t.TempDir(), as)
		if err != nil {
			t.Fatal(err)
		}
		run(t, p, 1, 1, RunSettings{})
		if as.AsOneProgramme {
			if _, _, err := p.Solve(t.Context()); err != nil {
				t.Fatal(err)
			}
			run(t, p, 1, 1, RunSettings{})
		}
		table, err := p.Gather(false)
		if err != nil {
			t.Fatal(err)
		}
		for _, row := range table.Rows {
			got, want := strings.Join(row.Warnings, "\n"), want[row.Output]
			if row.State != Made || !strings.Contains(got, want) || want == "" && got != "" {
				t.Errorf("%s is %s with the warnings %q, want %q", row.Output, row.State, got, want)
			}
		}
	}
}

// Outliers are found within their folder where it has enough takes; short takes are not
// compared.
func TestOutliersWithinTheirFolder(t *testing.T) {
	row := func(output string, lufs, seconds float64) Row {
		return Row{Take: Take{Output: output}, State: Made, Readings: map[string]*float64{"integrated_lufs": &lufs, countedSeconds: &seconds}}
	}
	table := &Table{}
	for i := range 8 {
		table.Rows = append(table.Rows, row(fmt.Sprintf("host/%d.wav", i), -16+0.1*float64(i%3), 60), row(fmt.Sprintf("guest/%d.wav", i), -22+0.1*float64(i%3), 60))
	}
	table.Rows = append(table.Rows, row("host/loud.wav", -13, 60), row("host/short.wav", -10, 3))
	table.compareTakes()
	for _, r := range table.Rows {
		if outlier, short := r.Output == "host/loud.wav", r.Output == "host/short.wav"; (r.OutlierLU != nil) != outlier || r.TooShort != short {
			t.Errorf("%s: outlier %v, too short %v", r.Output, r.OutlierLU != nil, r.TooShort)
		}
	}
	if len(table.Groups) != 3 || table.Groups[0].Name != "guest" || math.Abs(table.Groups[0].MedianLUFS+21.9) > 1e-9 || table.Groups[2].Takes != 17 {
		t.Errorf("%+v", table.Groups)
	}
}
