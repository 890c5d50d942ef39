package main

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
)

func TestMain(m *testing.M) {
	testscript.Main(m, programs)
}

// programs are what this test program also is, by the name that it is started by.
var programs = map[string]func(){"boothbench": main, "boothbench-calls": answerCalls}

// The scripts run the command as a user would, and look at its exit codes and
// at what it leaves behind. What is long in them runs where the long tests do.
func TestScripts(t *testing.T) {
	demo, err := filepath.Abs("../../testdata")
	if err != nil {
		t.Fatal(err)
	}
	dir, files := "testdata/script", []string(nil)
	if testing.Short() { // what works with goroutines
		for _, name := range []string{"batch", "process", "safety", "usage"} {
			files = append(files, filepath.Join(dir, name+".txtar"))
		}
		dir = ""
	}
	processes := share(t)
	testscript.Run(t, testscript.Params{
		Dir: dir, Files: files,
		Condition: func(name string) (bool, error) {
			if name != "exhaustive" {
				return false, fmt.Errorf("unknown condition %q", name)
			}
			return dsptest.IsExhaustive(), nil
		},
		Setup: func(env *testscript.Env) error {
			env.Setenv("DEMO", demo)
			env.Values[sharedKey{}] = processes
			return nil
		},
		Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){
			"exits":   exits,
			"makewav": makeWAV,
			"joinwav": joinWAV,
			"full":    full,
			"unread":  unread,
		},
	})
}

// full ARGS runs boothbench with a standard output that takes nothing.
func full(ts *testscript.TestScript, neg bool, args []string) {
	if _, err := os.Stat("/dev/full"); err != nil {
		return
	}
	err := ts.Exec("sh", "-c", "boothbench "+args[0]+" >/dev/full")
	var exit *exec.ExitError
	if !errors.As(err, &exit) || exit.ExitCode() != 4 {
		ts.Fatalf("%s: %v, want exit code 4", args[0], err)
	}
	said := strings.Split(strings.TrimSpace(ts.ReadFile("stderr")), "\n")
	if last := said[len(said)-1]; last != "boothbench: standard output: no space left on device; the results are incomplete" || strings.Contains(ts.ReadFile("stderr"), "goroutine") {
		ts.Fatalf("%s: it says %q", args[0], said)
	}
}

// unread ARG… runs boothbench with a standard output that nobody reads.
func unread(ts *testscript.TestScript, neg bool, args []string) {
	r, w, err := os.Pipe()
	ts.Check(err)
	r.Close()
	defer w.Close()
	program, err := exec.LookPath("boothbench")
	ts.Check(err)
	said := &strings.Builder{}
	cmd := exec.Command(program, args...)
	cmd.Dir, cmd.Stdout, cmd.Stderr = ts.MkAbs("."), w, said
	err = cmd.Run()
	if code := cmd.ProcessState.ExitCode(); code != 141 || said.Len() > 0 {
		ts.Fatalf("%v: exit code %d (%v), want 141; it says %q, want nothing", args, code, err, said)
	}
}

// makewav FILE [key=value …] writes a WAV: rate, channels, bits (32 or 64:
// floating point), frames, kind (tone, inverted, silence, nan, gap, room),
// peak. Channel 2 of an inverted tone is channel 1 with the other sign. A room is white noise
// of -60 dBFS rms, whatever the peak, with a hum of 50 Hz of -50 dBFS rms.
func makeWAV(ts *testscript.TestScript, neg bool, args []string) {
	values := map[string]string{"rate": "48000", "channels": "1", "bits": "24", "frames": "24000", "kind": "tone", "peak": "0.5"}
	for _, arg := range args[1:] {
		key, value, _ := strings.Cut(arg, "=")
		values[key] = value
	}
	number := func(key string) int {
		n, err := strconv.Atoi(values[key])
		ts.Check(err)
		return n
	}
	peak, err := strconv.ParseFloat(values["peak"], 64)
	ts.Check(err)
	random := rand.New(rand.NewPCG(1, 1))
	block := dsp.NewBlock(number("channels"), number("frames"))
	for c, plane := range block {
		for n := range plane {
			switch values["kind"] {
			case "gap":
				if n/4800 == 2 {
					break // silent for 100 ms
				}
				fallthrough
			case "tone":
				plane[n] = peak * math.Sin(2*math.Pi*997*float64(n)/float64(number("rate"))+float64(c))
			case "inverted":
				plane[n] = peak * math.Sin(2*math.Pi*997*float64(n)/float64(number("rate"))+math.Pi*float64(c))
			case "room":
				plane[n] = 1e-3*random.NormFloat64() + math.Sqrt2*math.Pow(10, -50.0/20)*math.Sin(2*math.Pi*50*float64(n)/float64(number("rate")))
			case "nan":
				if n%1000 == 700 {
					plane[n] = math.NaN()
				}
			}
		}
	}
	f := wave.Format{Rate: number("rate"), Channels: number("channels"), Encoding: wave.Integer, Bits: number("bits")}
	if f.Bits >= 32 {
		f.Encoding = wave.Float
	}
	w, err := wave.Create(ts.MkAbs(args[0]), f, wave.Options{})
	ts.Check(err)
	ts.Check(w.Write(block))
	ts.Check(w.Commit())
}
