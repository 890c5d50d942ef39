package instrument

import (
	"context"
	"errors"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
)

// Words as ParseCommand defines them. The rules of quotes are those of POSIX's shell (2.2,
// "Quoting"), except that a backslash acts on every character.
func TestCommandWords(t *testing.T) {
	for line, want := range map[string][]string{
		`tool {in} {out}`:                          {"tool", "{in}", "{out}"},
		"  tool\t--from={in}   --to={out} ":        {"tool", "--from={in}", "--to={out}"},
		`'my tool' "{in}" a\ b {out} ''`:           {"my tool", "{in}", "a b", "{out}", ""},
		`sh -c 'cp "$0" "$1"; rm $(x)' {in} {out}`: {"sh", "-c", `cp "$0" "$1"; rm $(x)`, "{in}", "{out}"},
		`tool "a\"b" 'c\d' '|' {in} {out}`:         {"tool", `a"b`, `c\d`, "|", "{in}", "{out}"},
	} {
		c, err := ParseCommand(line)
		if err != nil {
			t.Errorf("%s: %v", line, err)
		} else if !slices.Equal(c.Words, want) {
			t.Errorf("%s: %q, want %q", line, c.Words, want)
		}
	}
	for line, want := range map[string]string{
		``:                      "no words",
		`tool {in}`:             "no {out}",
		`tool {out}`:            "no {in}",
		`{in} {out}`:            "no {in}", // the program's name is no argument
		`tool {in} {out} > log`: `found ">", which only a shell understands`,
		`tool {in} | x {out}`:   `found "|"`,
		`tool "{in} {out}`:      `no closing "`,
		`tool {in} {out} \`:     "backslash at the end",
	} {
		if _, err := ParseCommand(line); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v; want %q in it", line, err, want)
		}
	}
}

// through runs a shell script as a device; $0 and $1 are its files.
func through(t *testing.T, script string, change func(*Command), sound dsp.Block) (dsp.Block, error) {
	t.Helper()
	if _, err := os.Stat("/bin/sh"); err != nil {
		t.Skip("no shell to run scripts with")
	}
	t.Setenv("TMPDIR", t.TempDir()) // to see which files remain
	c, err := ParseCommand("/bin/sh -c '" + script + "' {in} {out}")
	if err != nil {
		t.Fatal(err)
	}
	if change != nil {
		change(c)
	}
	response, err := Respond(context.Background(), c, 48000, sound)
	if left, _ := filepath.Glob(filepath.Join(os.TempDir(), "*")); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
	return response, err
}

// A command that copies returns the stimulus: rounded to 24 bits of mantissa in floating point,
// even far over full scale, and to steps of 2^−23 in integers.
func TestCommandThatCopies(t *testing.T) {
	sound := dsp.NewBlock(2, 5000)
	for n := range sound[0] {
		sound[0][n] = 300 * math.Sin(float64(n)/7)
		sound[1][n] = 1e-5 * math.Sin(float64(n)/9)
	}
	got, err := through(t, `cp "$0" "$1"`, nil, sound)
	if err != nil {
		t.Fatal(err)
	}
	for c := range sound {
		for n, x := range sound[c] {
			if got[c][n] != float64(float32(x)) {
				t.Fatalf("channel %d, frame %d: %g, want %g", c, n, got[c][n], x)
			}
		}
	}
	integers := func(c *Command) { c.Integer = true }
	if _, err := through(t, `cp "$0" "$1"`, integers, sound); err == nil || !strings.Contains(err.Error(), "over full scale") {
		t.Errorf("300 times full scale in integers: %v", err)
	}
	got, err = through(t, `cp "$0" "$1"`, integers, sound[1:])
	if err != nil {
		t.Fatal(err)
	}
	for n, x := range sound[1] {
		if math.Abs(got[0][n]-x) > 0x1p-24 {
			t.Fatalf("frame %d: %g, want %g to 24 bits", n, got[0][n], x)
		}
	}
}

func TestCommandThatFails(t *testing.T) {
	sound := dsp.NewBlock(1, 500)
	other := filepath.Join(t.TempDir(), "other.wav")
	writeSound(t, other, 44100, dsp.NewBlock(1, 100))
	empty := filepath.Join(t.TempDir(), "empty.wav")
	writeSound(t, empty, 48000, dsp.NewBlock(1, 0))
	for script, want := range map[string]string{
		`echo cannot read that >&2; exit 3`: "exit status 3; it printed: cannot read that",
		`true`:                              "did not write {out}",
		`echo hello >"$1"`:                  "cannot be read: {out}",
		`cp ` + other + ` "$1"`:             "{out}: found 1 channel at 44100 Hz; accepted: 1 at 48000 Hz",
		`cp ` + empty + ` "$1"`:             "0 frames",
	} {
		if got, err := through(t, script, nil, sound); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %d frames, %v; want %q in it", script, got.Frames(), err, want)
		}
	}
	missing := &Command{Words: []string{"/no/such/tool", "{in}", "{out}"}}
	if _, err := Respond(context.Background(), missing, 48000, sound); err == nil || !strings.Contains(err.Error(), "/no/such/tool") {
		t.Errorf("no such tool: %v", err)
	}
	if _, err := Respond(context.Background(), &Command{}, 48000, sound); err == nil {
		t.Error("no words: no error")
	}
}

// A command that does not end is ended, together with the programs that it started.
func TestCommandIsEndedByTimeoutAndCancel(t *testing.T) {
	sound := dsp.NewBlock(1, 10)
	_, err := through(t, `exec sleep 600`, func(c *Command) { c.Timeout = 100 * time.Millisecond }, sound)
	if err == nil || !strings.Contains(err.Error(), "ended after 100ms") {
		t.Errorf("%v; want that its time was over", err)
	}
	if runtime.GOOS != "linux" {
		t.Skip("without /proc it cannot be seen which processes are left")
	}
	mark := filepath.Join(t.TempDir(), "child")
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	child := ""
	go func() {
		for child == "" {
			b, _ := os.ReadFile(mark)
			child = strings.TrimSpace(string(b))
			time.Sleep(10 * time.Millisecond)
		}
		cancel()
	}()
	c := &Command{Words: []string{"/bin/sh", "-c", "sleep 600 & echo $! >" + mark + "; wait", "{in}", "{out}"}}
	if _, err := Respond(ctx, c, 48000, sound); !errors.Is(err, context.Canceled) {
		t.Errorf("interrupted: %v", err)
	}
	if !ends(child) {
		t.Error("what the command had started goes on")
	}
}

// A program that a command leaves running is ended with the command. If it keeps the command's
// output open, the error states that.
func TestCommandThatLeavesAProgramRunning(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("without /proc it cannot be seen which processes are left")
	}
	sound := dsp.NewBlock(1, 10)
	mark := filepath.Join(t.TempDir(), "child")
	for output, want := range map[string]string{"": "a program that it had started kept its output open for 50ms more", " >/dev/null 2>&1": ""} {
		_, err := through(t, `cp "$0" "$1"; sleep 600`+output+` & echo $! >`+mark, func(c *Command) {
			if want != "" { // it stays open, however long that is waited for
				c.grace = 50 * time.Millisecond
			}
		}, sound)
		if (want == "") != (err == nil) || err != nil && (!strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "WaitDelay")) {
			t.Errorf("sleep%s: %v; want %q in it", output, err, want)
		}
		child, _ := os.ReadFile(mark)
		if !ends(strings.TrimSpace(string(child))) {
			t.Errorf("sleep%s: what the command had started goes on", output)
		}
	}
}

// ends waits until a process has ended.
func ends(process string) bool {
	for range 6000 { // it takes some time for a killed process to end, on a busy machine more
		stat, err := os.ReadFile("/proc/" + process + "/stat")
		if err != nil || strings.Contains(string(stat), ") Z ") {
			return true
		}
		time.Sleep(10 * time.Millisecond)
	}
	return false
}

// writeSound writes a WAV file of 64-bit floating point.
func writeSound(t *testing.T, path string, rate int, b dsp.Block) {
	t.Helper()
	w, err := wave.Create(path, wave.Unquantised(rate, len(b)), wave.Options{Replace: true})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Write(b); err != nil {
		t.Fatal(err)
	}
	if err := w.Commit(); err != nil {
		t.Fatal(err)
	}
}

// A recording responds to the stimulus that was recorded, and to no other.
func TestRecordedDeviceRefusesOtherStimuli(t *testing.T) {
	folder := t.TempDir()
	d := &Recorded{filepath.Join(folder, "played.wav"), filepath.Join(folder, "recorded.wav")}
	played, recorded := dsp.NewBlock(1, 9000), dsp.NewBlock(1, 7000)
	for n := range played[0] {
		played[0][n] = math.Sin(float64(n) / 10)
	}
	for n := range recorded[0] {
		recorded[0][n] = float64(n)
	}
	writeSound(t, d.Stimulus, 48000, played)
	writeSound(t, d.Recording, 48000, recorded)
	got, err := Respond(context.Background(), d, 48000, played)
	if err != nil || !slices.Equal(got[0], recorded[0]) {
		t.Errorf("%d frames, %v; want the recording", got.Frames(), err)
	}

	changed := dsp.Block{slices.Clone(played[0])}
	changed[0][5000] += 1e-9
	longer := dsp.Block{append(slices.Clone(played[0]), 0)}
	for want, sound := range map[string]dsp.Block{
		"differ at frame 5000": changed, "ends at frame 9000": longer, "has 8000 frames": {played[0][:8000]},
		"found 2 channels at 48000 Hz": {played[0], played[0]},
	} {
		if _, err := Respond(context.Background(), d, 48000, sound); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v; want %q in it", err, want)
		}
	}
	writeSound(t, d.Recording, 44100, recorded)
	if _, err := Respond(context.Background(), d, 48000, played); err == nil || !strings.Contains(err.Error(), "found 1 channel at 44100 Hz") {
		t.Errorf("a recording of another rate: %v", err)
	}
}
