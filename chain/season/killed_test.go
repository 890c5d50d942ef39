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

	"github.com/boothbench/boothbench/chain/receipt"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
)

// childFolder names the season that this test program runs as a process of its own.
const childFolder = "BOOTHBENCH_TEST_SEASON"

func TestMain(m *testing.M) {
	if folder := os.Getenv(childFolder); folder != "" {
		p, err := Load(folder)
		if err == nil {
			err = p.Run(context.Background(), 1, 1, RunSettings{})
		}
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// start runs the season in a process of its own.
func start(t testing.TB, p *Plan) *exec.Cmd {
	t.Helper()
	program, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	c := exec.Command(program)
	c.Env = append(os.Environ(), childFolder+"="+p.folder)
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	return c
}

// killedRun runs the season in a process that is killed once ended reports true.
func killedRun(t testing.TB, p *Plan, ended func() bool) {
	t.Helper()
	c := start(t, p)
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

// Processes that are killed at random moments leave nothing that matters: the next run
// comes to the bytes of an undisturbed one, no receipt lies without its output, and after
// a sweep no partial file is left.
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
	for kill := range kills {
		// The kill falls once so many more takes are done, and a random moment later; so
		// that kills fall on all of the season.
		until := takesCount * (kill + 1) / (kills + 1)
		later := time.Duration(rng.Int64N(int64(10 * time.Millisecond)))
		killedRun(t, p, func() bool {
			if countOutputs(p) < until {
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
	run(t, p, 1, 1, RunSettings{Jobs: 2, Again: true}) // Again: three kills may have fallen on one take
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

func countOutputs(p *Plan) (n int) {
	for _, take := range p.Takes {
		if _, err := os.Stat(p.output(take)); err == nil {
			n++
		}
	}
	return n
}

// A take that ends its process each time is given up after three attempts, by its name,
// and the others are made.
func TestPoisonTakeEndsProcesses(t *testing.T) {
	takes := makeTakes(t, t.TempDir(), 3)
	long := dsptest.Speechlike(48000, 2, 48000*20, 1)
	w, err := wave.Create(takes[1].Path, wave.Format{Rate: 48000, Channels: 2, Encoding: wave.Integer, Bits: 16}, wave.Options{Replace: true})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Write(long); err != nil {
		t.Fatal(err)
	}
	if err := w.Commit(); err != nil {
		t.Fatal(err)
	}
	p := plan(t, t.TempDir(), takes, 1)
	count := attemptsAt(p.output(takes[1])).path
	for attempt := int64(1); attempt <= mostAttempts; attempt++ {
		killedRun(t, p, func() bool {
			info, err := os.Stat(count)
			return err == nil && info.Size() == attempt
		})
		if info, err := os.Stat(count); err != nil || info.Size() != attempt {
			t.Fatalf("attempt %d was not counted: %v", attempt, err)
		}
	}
	if err := start(t, p).Wait(); err != nil {
		t.Fatal(err)
	}
	table, err := p.Gather(false)
	if err != nil || table.Counts[Made] != 2 || table.Rows[1].State != Failed || !strings.Contains(table.Rows[1].Note, "begun 3 times") || !strings.Contains(table.Rows[1].Note, takes[1].Path) {
		t.Errorf("%+v %v", table.Rows, err)
	}
}

// Folders and takes may be named as a file system allows.
func TestHostileNames(t *testing.T) {
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
