package season

import (
	"context"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/chain/receipt"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
)

// The environment variables of a test process that runs a season: the folder of the season, and
// the output of the take that ends that process each time; "": none.
const (
	childFolder = "BOOTHBENCH_TEST_SEASON"
	childPoison = "BOOTHBENCH_TEST_POISON"
)

func TestMain(m *testing.M) {
	if folder := os.Getenv(childFolder); folder != "" {
		child(folder, os.Getenv(childPoison))
	}
	dsptest.Main(m)
}

// child makes all takes of a season, and ends the process at the poison take.
func child(folder, poison string) {
	p, err := Load(folder)
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	w := worker{plan: p, engines: map[[2]int]*chain.Engine{}}
	w.todo = w.steps()
	made := w.todo[0].make
	w.todo[0].make = func(ctx context.Context, t Take, out string, r *receipt.Receipt) error {
		if t.Output == poison {
			os.Exit(9)
		}
		return made(ctx, t, out, r)
	}
	for _, t := range p.Share(1, 1) {
		w.do(context.Background(), t)
	}
	os.Exit(0)
}

// start runs the season in a separate process.
func start(t testing.TB, p *Plan, poison string) *exec.Cmd {
	t.Helper()
	program, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	c := exec.Command(program)
	c.Env = append(os.Environ(), childFolder+"="+p.folder, childPoison+"="+poison)
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	return c
}

// killedRun runs the season in a process that is killed once ended returns true.
func killedRun(t testing.TB, p *Plan, ended func() bool) {
	t.Helper()
	c := start(t, p, "")
	done := make(chan struct{})
	go func() {
		c.Wait()
		close(done)
	}()
	for !ended() {
		select {
		case <-done:
			return
		case <-time.After(time.Millisecond):
		}
	}
	c.Process.Kill()
	<-done
}

// Processes are killed at random moments. The next run makes the bytes of an undisturbed one,
// no receipt exists without its output, and after a sweep no partial file is left.
func TestKilledAtRandom(t *testing.T) {
	takesCount, kills := 16, 5
	if dsptest.IsExhaustive() {
		takesCount, kills = 1000, 200
	}
	takes := makeTakes(t, t.TempDir(), takesCount)
	once := plan(t, t.TempDir(), takes, 1)
	run(t, once, 1, 1, RunSettings{Jobs: 2})
	p := plan(t, t.TempDir(), takes, 1)
	rng := rand.New(rand.NewPCG(16, 4))
	order := p.Share(1, 1)
	for kill := range kills {
		// The process is killed once this many takes are done, plus a random time, so that the
		// kills are spread over the whole season.
		last := p.output(order[takesCount*(kill+1)/(kills+1)])
		later := time.Duration(rng.Int64N(int64(10 * time.Millisecond)))
		killedRun(t, p, func() bool {
			if _, err := os.Stat(last); err != nil {
				return false
			}
			time.Sleep(later)
			return true
		})
	}
	for _, take := range takes {
		if r, err := receipt.Load(p.output(take)); err == nil && r.Failure == "" {
			if _, err := os.Stat(p.output(take)); err != nil {
				t.Errorf("%s: a receipt without its output", take.Output)
			}
		}
	}
	run(t, p, 1, 1, RunSettings{Jobs: 2, Again: true}) // Again, because three kills may have hit the same take
	want, got := outputs(t, once), outputs(t, p)
	for name, bytes := range got {
		if bytes != want[name] {
			t.Errorf("%s has other bytes", name)
		}
	}
	if err := p.Sweep(func(wave.Leftover) {}); err != nil {
		t.Fatal(err)
	}
	filepath.WalkDir(p.folder, func(path string, _ fs.DirEntry, err error) error {
		if strings.Contains(path, ".partial-") || strings.HasSuffix(path, ".attempts") {
			t.Errorf("left behind: %s", path)
		}
		return err
	})
	if table, err := p.Gather(true); err != nil || !table.Complete() {
		t.Error(table.Counts, err)
	}
}

// A take that ends its process each time is given up after three attempts and named, and the
// others are made.
func TestTakeThatEndsProcessesIsGivenUp(t *testing.T) {
	takes := makeTakes(t, t.TempDir(), 3)
	p := plan(t, t.TempDir(), takes, 1)
	poison := takes[1].Output
	for attempt := range mostAttempts {
		if err := start(t, p, poison).Wait(); err == nil {
			t.Fatalf("attempt %d came to its end", attempt+1)
		}
	}
	if err := start(t, p, poison).Wait(); err != nil {
		t.Fatal(err)
	}
	table, err := p.Gather(false)
	if err != nil || table.Counts[Made] != 2 || table.Rows[1].State != Failed || !strings.Contains(table.Rows[1].Note, "started 3 times") || !strings.Contains(table.Rows[1].Note, takes[1].Path) {
		t.Errorf("%+v %v", table.Rows, err)
	}
}

// Folders and takes may have any names that a file system allows.
func TestAnyNameOfAFileSystem(t *testing.T) {
	takes := makeTakes(t, t.TempDir(), 1)
	text, err := os.ReadFile(takes[0].Path)
	if err != nil {
		t.Fatal(err)
	}
	folder := t.TempDir()
	names := []string{
		"a b/take 1.wav", "quote\"/it's.wav", "-x/--help.wav", "umlaut ä/音.wav", "a,b;c/1,2.wav", "$HOME/`id`.wav", "<b>/&amp;.wav", "100%/%s%d.wav",
		".receipts2/x.wav", "star*/[1].wav", "long/" + strings.Repeat("n", 180) + ".wav", "tab\there/line\nbreak.wav",
	}
	var all []Take
	for _, name := range names {
		path := filepath.Join(folder, filepath.FromSlash(name))
		if os.MkdirAll(filepath.Dir(path), 0o777) != nil || os.WriteFile(path, text, 0o666) != nil {
			t.Logf("%q is no name on this system", name)
			continue
		}
		all = append(all, Take{Path: path, Output: name})
	}
	p := plan(t, filepath.Join(t.TempDir(), "sea son's \"<i>\" %s"), all, 4)
	for k := range 4 {
		run(t, p, k+1, 4, RunSettings{})
	}
	table, err := p.Gather(true)
	if err != nil || !table.Complete() {
		t.Fatalf("%+v %v", table.Rows, err)
	}
	again, err := Load(p.folder)
	if err != nil {
		t.Fatal(err)
	}
	if got := run(t, again, 1, 1, RunSettings{}); got[WasDone] != len(all) {
		t.Error(got)
	}
	page := string(p.Page(table, "boothbench, of a test").HTML())
	if strings.Contains(page, "<b>/") || strings.Contains(page, "<i>") {
		t.Error("a name is taken for markup")
	}
	var csv strings.Builder
	if err := table.WriteCSV(&csv); err != nil || !strings.Contains(csv.String(), "quote\"\"/it's.wav") {
		t.Error(csv.String(), err)
	}
}
