package season

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"testing"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/chain/receipt"
	"github.com/boothbench/boothbench/chain/tune"
	"github.com/boothbench/boothbench/dsp/dsptest"
)

// foreignPlans returns seasons that make outputs in every possible way.
func foreignPlans(t *testing.T) map[string]*Plan {
	folder := t.TempDir()
	takes := makeTakes(t, folder, 5)[4:] // 1.2 s, long enough to have a loudness
	more := takes[0]
	more.Path, more.Output = filepath.Join(folder, "more.wav"), "ep01/more.wav"
	text, err := os.ReadFile(takes[0].Path)
	if err == nil {
		err = os.WriteFile(more.Path, text, 0o666)
	}
	if err != nil {
		t.Fatal(err)
	}
	takes = append(takes, more)
	target := tune.TargetLoudness(-23, -1)
	talk := []Conversation{{Name: "talk", Takes: []string{takes[0].Output, takes[1].Output}, Mix: &Mix{Channels: 1, HeadroomDB: 1}}}
	linked := []Conversation{talk[0]}
	linked[0].Linked = true
	all := map[string]*Plan{}
	for name, p := range map[string]Plan{
		"processed": {}, "delivered": {Target: &target}, "one programme": {Target: &target, AsOneProgramme: true},
		"a conversation": {Conversations: talk}, "a linked conversation": {Target: &target, Conversations: linked},
	} {
		p.ChainPath, p.ChainText, p.Shares, p.Output = "voice.toml", chainText, 1, chain.Output{Seed: 1}
		p.Takes = append([]Take{}, takes...)
		made, err := NewPlan(t.TempDir(), p)
		if err != nil {
			t.Fatal(name, err)
		}
		all[name] = made
	}
	return all
}

// runAll runs a season to its end, also as one programme, and returns the errors of takes and
// conversations that stopped.
func runAll(t *testing.T, p *Plan) (stopped []error) {
	t.Helper()
	for {
		stopped = nil
		err := p.Run(context.Background(), 1, 1, RunSettings{Done: func(o Outcome) {
			switch o.State {
			case Stopped:
				stopped = append(stopped, o.Err)
			case Failed:
				t.Error(o.Output, o.Err)
			}
		}})
		if err != nil {
			t.Fatal(err)
		}
		if _, more, err := p.Solve(context.Background()); err != nil {
			t.Fatal(err)
		} else if !more || len(stopped) > 0 {
			return stopped
		}
	}
}

// onlyManifest removes everything that a season has made.
func onlyManifest(t *testing.T, p *Plan) {
	entries, err := os.ReadDir(p.folder)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if e.Name() != manifestName {
			if err := os.RemoveAll(filepath.Join(p.folder, e.Name())); err != nil {
				t.Fatal(err)
			}
		}
	}
}

// A file that someone else put at the path of an output is not changed, however the output is
// made, and the error names it. Without that file the season is made. If a process was killed
// between an output and its receipt, the next run writes the receipt and leaves the output.
func TestForeignFilesAreNotReplaced(t *testing.T) {
	for name, p := range foreignPlans(t) {
		for _, out := range p.made() {
			onlyManifest(t, p)
			path := filepath.Join(p.folder, filepath.FromSlash(out))
			if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(path, []byte("of somebody else"), 0o666); err != nil {
				t.Fatal(err)
			}
			runs := 1
			if dsptest.IsExhaustive() {
				runs = mostAttempts + 1 // such a failure never counts against the take
			}
			for range runs {
				stopped := runAll(t, p)
				var foreign *ForeignError
				if len(stopped) == 0 || !errors.As(stopped[0], &foreign) || foreign.Path != path {
					t.Errorf("%s: %s: %v; want it refused", name, out, stopped)
				}
			}
			if text, _ := os.ReadFile(path); string(text) != "of somebody else" {
				t.Errorf("%s: %s was replaced", name, out)
			}
			os.Remove(path)
		}
		if stopped := runAll(t, p); stopped != nil {
			t.Errorf("%s: %v", name, stopped)
		}
		for _, out := range p.made() {
			path := filepath.Join(p.folder, filepath.FromSlash(out))
			before, err := os.Stat(path)
			if err != nil {
				t.Error(name, err)
				continue
			}
			// This is the state that a process leaves if it is killed after the output.
			os.Remove(receipt.PathFor(path))
			if _, err := attemptsAt(path).begin(); err != nil {
				t.Fatal(err)
			}
			if stopped := runAll(t, p); stopped != nil {
				t.Errorf("%s: %s without its receipt: %v", name, out, stopped)
			}
			if after, err := os.Stat(path); err != nil || !os.SameFile(before, after) || !after.ModTime().Equal(before.ModTime()) {
				t.Errorf("%s: %s without its receipt is written again (%v)", name, out, err)
			}
		}
		if table, err := p.Gather(true); err != nil || !table.Complete() {
			t.Errorf("%s: %+v %v", name, table.Rows, err)
		}
	}
}

// If a take fails after its output was made, the output remains the season's own.
func TestFailedTakeKeepsItsOutput(t *testing.T) {
	takes := makeTakes(t, t.TempDir(), 1)
	p := plan(t, t.TempDir(), takes, 1)
	run(t, p, 1, 1, RunSettings{})
	sound, _ := os.ReadFile(takes[0].Path)
	os.WriteFile(takes[0].Path, []byte("no sound"), 0o666)
	if got := run(t, p, 1, 1, RunSettings{}); got[Failed] != 1 {
		t.Fatal(got)
	}
	sound[len(sound)-1] ^= 0x10
	os.WriteFile(takes[0].Path, sound, 0o666)
	if got := run(t, p, 1, 1, RunSettings{}); got[Made] != 1 {
		t.Error(got)
	}
}

// A take that grows while it is processed stops with an error, and the next run makes it. The
// output made from its beginning is the season's own, and is replaced.
func TestGrowingTakeStopsAndIsMadeLater(t *testing.T) {
	takes := makeTakes(t, t.TempDir(), 5)[3:]
	whole, err := os.ReadFile(takes[1].Path)
	if err != nil {
		t.Fatal(err)
	}
	takes = takes[:1]
	p := plan(t, t.TempDir(), takes, 1)
	w := worker{plan: p, engines: map[[2]int]*chain.Engine{}}
	w.todo = w.steps()
	made := w.todo[0].make
	w.todo[0].make = func(ctx context.Context, take Take, out string, r *receipt.Receipt) error {
		if err := made(ctx, take, out, r); err != nil {
			return err
		}
		return os.WriteFile(take.Path, whole, 0o666)
	}
	var changed *TakeChangedError
	if o := w.do(t.Context(), takes[0]); o.State != Stopped || !errors.As(o.Err, &changed) {
		t.Errorf("%v, %v; want it stopped", o.State, o.Err)
	}
	if table, err := p.Gather(false); err != nil || table.Complete() || table.Rows[0].State != Stale {
		t.Errorf("%+v %v", table.Rows, err)
	}
	if got := run(t, p, 1, 1, RunSettings{}); got[Made] != 1 {
		t.Error(got)
	}
	if table, err := p.Gather(true); err != nil || !table.Complete() {
		t.Errorf("%+v %v", table.Rows, err)
	}
}
