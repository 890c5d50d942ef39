package main

import (
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/bench"
)

// writing is a call of a command that writes files.
type writing struct {
	args    string
	outputs string // the files that it writes
	old     string // which of them are there before
	varies  string // which hold the time of day
	reports bool   // the output holds also that an input cannot be read
	both    bool   // the files of an --out-dir appear together
	code    int    // the exit code of a run without a fault
}

// writings are all the ways to write a file.
var writings = []writing{
	{args: "process take.wav --chain gain.toml --out out.wav", outputs: "out.wav"},
	{args: "process take.wav --chain gain.toml --out out.wav --trace trace.csv --replace", outputs: "out.wav trace.csv", old: "out.wav trace.csv"},
	{args: "process take.wav --chain gain.toml --out out.wav --replace", outputs: "out.wav", old: "out.wav"},
	{args: "process take.wav --chain gain.toml --out out.wav --trace trace.csv", outputs: "out.wav trace.csv"},
	{args: "process take.wav second.wav --chain gain.toml --out-dir m --jobs 1", outputs: "m/take.wav m/second.wav"},
	{args: "deliver take.wav --chain twice.toml --loudness-lufs -13 --true-peak-dbtp -1 --out out.wav --save-chain solved.toml --replace --jobs 1 --limiting-max-db 60", outputs: "out.wav solved.toml", old: "out.wav solved.toml"},
	{args: "deliver take.wav second.wav --chain limiter.toml --loudness-lufs -20 --true-peak-dbtp -1 --as-one-programme --out-dir m --jobs 1 --limiting-max-db 60", outputs: "m/take.wav m/second.wav", both: true},
	{args: "propose take.wav --out voice.toml --replace", outputs: "voice.toml", old: "voice.toml"},
	{args: "meter take.wav --series series.csv", outputs: "series.csv"},
	{args: "compare take.wav second.wav --residual rest.wav --replace", outputs: "rest.wav", old: "rest.wav"},
	{args: "gauge sweep --seconds 1 --chain gain.toml --curve curve.csv --replace", outputs: "curve.csv", old: "curve.csv"},
	{args: "tone tone --seconds 1 --out tone.wav", outputs: "tone.wav"},
	{args: "init voice.toml", outputs: "voice.toml"},
	{args: "bench init interface made.toml --replace", outputs: "made.toml", old: "made.toml"},
	{args: "bench plan plan.toml --out-dir m", outputs: "m/line-48000-hz.wav m/calibration.wav m/cue-sheet.txt"},
	{args: "bench read plan.toml played.wav --out read.json --replace", outputs: "read.json", old: "read.json"},
	{args: "prove gain.toml --out sheet.json", outputs: "sheet.json"},
	{args: "check take.wav --limits limits.toml --junit report.xml --replace", outputs: "report.xml", old: "report.xml", varies: "report.xml", reports: true},
	{args: "check take.wav --limits like.toml --junit report.xml --artefacts kept --replace", outputs: "report.xml kept/take.wav.difference.wav", old: "report.xml", varies: "report.xml", reports: true, code: 1},
}

const limiterChain = "schema = 1\n[[stage]]\nkind = \"limiter\"\n"

// twiceChain is one with which a delivery of the take to -13 LUFS is rendered twice.
const twiceChain = "schema = 1\n[[stage]]\nkind = \"limiter\"\nlookahead_ms = 0.5\n"

const benchPlan = "schema = 1\ndevice = \"A\"\n[[test]]\nname = \"short\"\nstimulus = \"kind=silence seconds=1.6\"\n[[path]]\nname = \"line\"\nkind = \"line-input\"\ntests = [\"short\"]\n"

const gainChain = "schema = 1\n[[stage]]\nkind = \"compressor\"\nthreshold_dbfs = -30\n"

// prepare makes a folder with the inputs, and with outputs of earlier runs.
func (w writing) prepare(t *testing.T, old string) string {
	t.Helper()
	folder, err := filepath.EvalSymlinks(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	w.prepareIn(t, folder, old)
	return folder
}

func (w writing) prepareIn(t *testing.T, folder, old string) {
	t.Helper()
	for name, text := range map[string]string{"gain.toml": gainChain, "limiter.toml": limiterChain, "twice.toml": twiceChain, "plan.toml": benchPlan, "limits.toml": "schema = 1\n[[expect]]\nintegrated_lufs = { max = 0 }\n",
		"like.toml": "schema = 1\n[[expect]]\nlike = \"second.wav\"\ngain_db = { max = 0 }\n"} {
		if err := os.WriteFile(filepath.Join(folder, name), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	sound := dsptest.Speechlike(48000, 1, 24000, 1)
	for _, name := range []string{"take.wav", "second.wav", "played.wav"} {
		if name == "played.wav" {
			sound = playedByPlan(t)
		}
		out, err := wave.Create(filepath.Join(folder, name), wave.Format{Rate: 48000, Channels: 1, Encoding: wave.Integer, Bits: 24}, wave.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if err := out.Write(sound); err != nil {
			t.Fatal(err)
		}
		if err := out.Commit(); err != nil {
			t.Fatal(err)
		}
		for n := range sound[0] {
			sound[0][n] *= 0.5
		}
	}
	for _, name := range strings.Fields(old) {
		if err := os.WriteFile(filepath.Join(folder, name), []byte("an earlier "+name), 0o640); err != nil {
			t.Fatal(err)
		}
	}
}

// playedByPlan is a recording of the plan: what it plays.
func playedByPlan(t *testing.T) dsp.Block {
	t.Helper()
	plan, err := bench.ReadPlan("plan.toml", []byte(benchPlan))
	if err != nil {
		t.Fatal(err)
	}
	sound, _, err := plan.Sound(plan.Conditions()[0])
	if err != nil {
		t.Fatal(err)
	}
	return sound
}

// One of the deliveries among the writings renders twice, so that faults meet it in the
// second render too.
func TestDeliveryAmongTheFaultsRendersTwice(t *testing.T) {
	for _, w := range writings {
		if strings.Contains(w.args, "twice.toml") {
			program, err := exec.LookPath("boothbench")
			if err != nil {
				t.Fatal(err)
			}
			cmd := exec.Command(program, strings.Fields(w.args+" --json")...)
			cmd.Dir = w.prepare(t, w.old)
			if printed, err := cmd.Output(); err != nil || !strings.Contains(string(printed), `"passes":3`) {
				t.Errorf("%s: %v: %s", w.args, err, printed)
			}
			return
		}
	}
	t.Error("no such delivery")
}

// contents are the files below a folder, by name.
func contents(t *testing.T, folder string) map[string]string {
	t.Helper()
	held := map[string]string{}
	err := filepath.WalkDir(folder, func(path string, e os.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		text, err := os.ReadFile(path)
		name, _ := filepath.Rel(folder, path)
		held[name] = string(text)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return held
}

func isPartial(name string) bool { return strings.Contains(name, ".partial-") }

// judged is what is wrong with a folder after a run that met a fault.
func (w writing) judged(r traced, before, after, good map[string]string) (wrong []string) {
	outputs := strings.Fields(w.outputs)
	together := w.both || !strings.Contains(w.args, "--out-dir")
	whole := 0
	for _, name := range outputs {
		now, there := after[name]
		old, was := before[name]
		isGood := now == good[name] || strings.Contains(w.varies, name) && strings.HasSuffix(now, "</testsuites>\n")
		switch {
		case there && isGood:
			whole++
		case there != was || now != old:
			wrong = append(wrong, fmt.Sprintf("%s is neither as it was nor whole: %d bytes", name, len(now)))
		}
	}
	switch {
	case r.code == w.code && whole < len(outputs):
		wrong = append(wrong, fmt.Sprintf("exit code %d with %d of %d outputs", r.code, whole, len(outputs)))
	case r.code > 0 && r.code != w.code && together && whole > 0 && !(w.reports && r.code == exitInput):
		wrong = append(wrong, fmt.Sprintf("exit code %d with %d of %d outputs", r.code, whole, len(outputs)))
	case r.code > 0 && r.code != w.code && !slices.Contains([]int{exitUsage, exitInput, exitOutput}, r.code):
		wrong = append(wrong, fmt.Sprintf("exit code %d", r.code))
	}
	for name, text := range before {
		if !slices.Contains(outputs, name) && after[name] != text {
			wrong = append(wrong, name+", an input, has changed")
		}
	}
	for name := range after {
		if _, was := before[name]; was || slices.Contains(outputs, name) {
			continue
		}
		if !isPartial(name) || r.code >= 0 && !strings.HasPrefix(r.failed, "unlink") {
			wrong = append(wrong, name+" is left behind")
		}
	}
	if strings.Contains(r.stderr, "goroutine") || strings.Contains(r.stderr, "partial-") || r.code > 0 && r.code != w.code && r.stderr == "" {
		wrong = append(wrong, "the message: "+r.stderr)
	}
	return wrong
}

// Each system call about a file fails once, in every command that writes. Whatever
// fails: no input changes, each output is as it was or whole, several of one take
// appear together, code 0 stands for all of them, and messages name what was asked for.
func TestEverySystemCallFails(t *testing.T) {
	faults, quiet := 0, 0
	for i, w := range writings {
		step := 1
		if !dsptest.IsExhaustive() {
			if step = 23; i > 0 {
				break
			}
		}
		f, q := w.failEach(t, step, false)
		faults, quiet = faults+f, quiet+q
	}
	t.Logf("%d system calls failed, %d of them without harm (exit code 0)", faults, quiet)
}

// A quota that is used up is said, and is no full disk.
func TestQuotaUsedUp(t *testing.T) {
	dsptest.Exhaustive(t) // some sixty runs
	w := writings[0]
	quota := func(string) syscall.Errno { return syscall.EDQUOT }
	said := map[string]bool{}
	for at := 1; len(said) < 2; at++ {
		r := traceRun(t, w.prepare(t, w.old), strings.Fields(w.args), fault{at: at, errno: quota})
		if r.failed == "" {
			t.Fatal("the file was not created and written")
		}
		call, _, _ := strings.Cut(r.failed, " ")
		if !strings.Contains(r.failed, ".partial-") || call != "openat" && call != "write" || said[call] {
			continue
		}
		said[call] = true
		want := map[string]string{"openat": "out.wav: cannot create it: disk quota exceeded", "write": "out.wav: cannot write it: this user's quota of the disk is used up: "}[call]
		if r.code != exitOutput || !strings.Contains(r.stderr, want) {
			t.Errorf("%s: exit code %d: %s", r.failed, r.code, r.stderr)
		}
	}
}

// The process is killed at each system call about a file. What it leaves is a partial
// file at most, which the next run in the folder removes.
func TestKilledAtEverySystemCall(t *testing.T) {
	kills := 0
	for i, w := range writings {
		step := 1
		if !dsptest.IsExhaustive() {
			if step = 23; i > 0 {
				break
			}
		}
		k, _ := w.failEach(t, step, true)
		kills += k
	}
	t.Logf("killed at %d system calls", kills)
}

// failEach lets every step-th call fail, each in a run of its own.
func (w writing) failEach(t *testing.T, step int, kill bool) (faults, harmless int) {
	args := strings.Fields(w.args)
	folder := w.prepare(t, w.old)
	if r := traceRun(t, folder, args, fault{}); r.code != w.code {
		t.Fatalf("%s: exit code %d without a fault: %s", w.args, r.code, r.stderr)
	}
	good := contents(t, folder)
	folder = w.prepare(t, w.old)
	before := contents(t, folder)
	errno := func(name string) syscall.Errno {
		if strings.Contains(name, "write") || name == "openat" {
			return syscall.ENOSPC
		}
		return syscall.EIO
	}
	for at := 1; ; at += step {
		r := traceRun(t, folder, args, fault{at: at, errno: errno, kill: kill})
		if r.failed == "" {
			return faults, harmless
		}
		faults++
		if r.code == w.code {
			harmless++
		}
		after := contents(t, folder)
		for _, wrong := range w.judged(r, before, after, good) {
			t.Errorf("%s\n  fault %d, %s: %s", w.args, at, r.failed, wrong)
		}
		if maps.Equal(before, after) {
			continue
		}
		w.checkLeftovers(t, folder)
		os.RemoveAll(folder)
		folder = w.prepare(t, w.old)
	}
}

// checkLeftovers sees that the next run removes partial files.
func (w writing) checkLeftovers(t *testing.T, folder string) {
	for _, in := range []string{folder, filepath.Join(folder, "m"), filepath.Join(folder, "kept")} {
		wave.RemoveLeftovers(in, func(wave.Leftover) {})
	}
	for name := range contents(t, folder) {
		if isPartial(name) {
			t.Errorf("%s: %s stays", w.args, name)
		}
	}
}
