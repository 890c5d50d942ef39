package main

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/boothbench/boothbench/dsp/dsptest"
)

// Runs are killed at any moment, while they live. What they leave is a partial file at
// most, and the next run in the folder names each and removes it.
func TestKilledAtAnyMoment(t *testing.T) {
	program, err := exec.LookPath("boothbench")
	if err != nil {
		t.Fatal(err)
	}
	demo, err := filepath.Abs("../../testdata")
	if err != nil {
		t.Fatal(err)
	}
	folder := t.TempDir()
	args := []string{"process", filepath.Join(demo, "harbour-street.wav"), "--chain", filepath.Join(demo, "harbour-street.toml"), "--trace", "trace.csv", "--out", "out.wav", "--quiet"}
	run := func() (*exec.Cmd, *bytes.Buffer) {
		said := &bytes.Buffer{}
		cmd := exec.Command(program, args...)
		cmd.Dir, cmd.Stderr = folder, said
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		return cmd, said
	}
	begun := time.Now()
	cmd, said := run()
	if err := cmd.Wait(); err != nil {
		t.Fatalf("%v: %s", err, said)
	}
	usual := time.Since(begun)
	good := contents(t, folder)
	inputs := contents(t, demo)

	wanted := 3
	if dsptest.IsExhaustive() {
		wanted = 200
	}
	random := rand.New(rand.NewPCG(3, 3))
	named := regexp.MustCompile(`warning: (\.\S+\.partial-[0-9a-f]{8}): left over`)
	live, partial, whole := 0, 0, 0
	for live < wanted {
		before := contents(t, folder)
		for name := range before {
			if !isPartial(name) {
				os.Remove(filepath.Join(folder, name))
			}
		}
		cmd, said := run()
		time.Sleep(time.Duration(random.Float64() * 1.1 * float64(usual)))
		cmd.Process.Kill()
		cmd.Wait()
		status := cmd.ProcessState.Sys().(syscall.WaitStatus)
		if !status.Signaled() {
			continue // it had ended: no live kill
		}
		live++
		found := contents(t, folder)
		for name, text := range found {
			switch {
			case isPartial(name):
				partial++
			case good[name] == text:
				whole++
			default:
				t.Errorf("%s is broken: %d bytes of %d", name, len(text), len(good[name]))
			}
		}
		// What earlier kills left is still there, or this run has named it.
		gone := named.FindAllStringSubmatch(said.String(), -1)
		for _, match := range gone {
			if _, there := before[match[1]]; !there {
				t.Errorf("it names %s, which was not there", match[1])
			}
		}
		for name := range before {
			if _, there := found[name]; isPartial(name) && !there && !strings.Contains(said.String(), name) {
				t.Errorf("%s is gone without a word: %q", name, said)
			}
		}
	}
	for name := range contents(t, folder) {
		if !isPartial(name) {
			os.Remove(filepath.Join(folder, name))
		}
	}
	cmd, said = run()
	if err := cmd.Wait(); err != nil {
		t.Errorf("after the kills: %v: %s", err, said)
	}
	after := contents(t, folder)
	if len(after) != 2 || after["out.wav"] != good["out.wav"] || after["trace.csv"] != good["trace.csv"] {
		t.Errorf("after a run that was not killed the folder holds %d files, want the sound and its trace", len(after))
	}
	for name, text := range contents(t, demo) {
		if inputs[name] != text {
			t.Errorf("%s has changed", name)
		}
	}
	t.Logf("%d live kills: %d partial files were left and %d outputs were whole; none was broken", live, partial, whole)
}

// A command of --exec ends with us, also if we are killed.
func TestKilledEndsItsCommand(t *testing.T) {
	program, err := exec.LookPath("boothbench")
	if err != nil {
		t.Fatal(err)
	}
	mark := filepath.Join(t.TempDir(), "pid")
	cmd := exec.Command(program, "gauge", "tone", "--seconds", "3", "--exec", "sh -c 'echo $$ >"+mark+"; exec sleep 600' {in} {out}")
	temporary := t.TempDir()
	cmd.Env = append(os.Environ(), "TMPDIR="+temporary)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	pid := ""
	for range 12_000 { // two minutes: a busy machine starts it late
		if text, _ := os.ReadFile(mark); len(text) > 0 {
			pid = strings.TrimSpace(string(text))
			break
		}
		time.Sleep(10 * time.Millisecond)
	}
	if pid == "" {
		t.Fatal("the command was not started")
	}
	cmd.Process.Kill()
	cmd.Wait()
	for range 6000 {
		if stat, err := os.ReadFile("/proc/" + pid + "/stat"); err != nil || strings.Contains(string(stat), ") Z ") {
			pid = ""
			break
		}
		time.Sleep(10 * time.Millisecond)
	}
	if pid != "" {
		t.Errorf("process %s goes on", pid)
	}
	// The next run removes the folder that its files are in, and says so.
	next := exec.Command(program, "gauge", "tone", "--seconds", "3", "--exec", "cp {in} {out}")
	next.Env = cmd.Env
	said, err := next.CombinedOutput()
	if left, _ := os.ReadDir(temporary); err != nil || len(left) != 0 || !strings.Contains(string(said), "left over from an earlier run that was ended while it wrote temporary files") {
		t.Errorf("%v; left: %v; it says %s", err, left, said)
	}
}

// A disk that is full at any point: the old files are as they were, or the new ones
// whole. The disk is a small one in memory.
func TestFullDisk(t *testing.T) {
	disk, err := filepath.EvalSymlinks(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	faults, runs := 0, 0
	for i, w := range writings {
		step := int64(4096)
		if !dsptest.IsExhaustive() {
			if step = 122880; i > 0 {
				break
			}
		}
		mount := func() {
			t.Helper()
			if err := syscall.Mount("tmpfs", disk, "tmpfs", 0, "size=4m"); err != nil {
				t.Skip("no disk can be mounted here:", err)
			}
		}
		unmount := func() {
			if err := syscall.Unmount(disk, 0); err != nil {
				t.Fatal(err)
			}
		}
		mount()
		w.prepareIn(t, disk, w.old)
		before := contents(t, disk)
		free := freeBytes(t, disk)
		if code, said := runIn(t, disk, w.args); code != w.code {
			t.Fatalf("%s: exit code %d without a fault: %s", w.args, code, said)
		}
		good := contents(t, disk)
		needed := free - freeBytes(t, disk) + 256<<10 // old and new together
		if dsptest.IsExhaustive() {
			step = max(step, needed/40/4096*4096)
		}
		unmount()
		for room := int64(0); room <= min(needed, free); room += step {
			mount()
			w.prepareIn(t, disk, w.old)
			if err := os.WriteFile(filepath.Join(disk, "filler"), make([]byte, free-room), 0o666); err != nil {
				t.Fatal(err)
			}
			before["filler"] = contents(t, disk)["filler"]
			code, said := runIn(t, disk, w.args)
			runs++
			if code != w.code {
				faults++
				if code != exitOutput || !strings.Contains(said, "no space left on device") {
					t.Errorf("%s with %d bytes free: exit code %d: %s", w.args, room, code, said)
				}
			}
			for _, wrong := range w.judged(traced{code: code, stderr: said}, before, contents(t, disk), good) {
				t.Errorf("%s with %d bytes free: %s", w.args, room, wrong)
			}
			unmount()
		}
	}
	t.Logf("%d runs, of which the disk was too full for %d", runs, faults)
}

// A disk on which no further file has room, though there is room for bytes: in memory
// too, with a bound on the number of files. Inputs and the folder itself count.
func TestFullDiskOfFiles(t *testing.T) {
	disk, err := filepath.EvalSymlinks(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { syscall.Unmount(disk, 0) }) // where a failure has left it
	faults, runs := 0, 0
	for i, w := range writings {
		if !dsptest.IsExhaustive() && i > 0 {
			break
		}
		mount := func(files int) {
			t.Helper()
			if err := syscall.Mount("tmpfs", disk, "tmpfs", 0, fmt.Sprintf("size=8m,nr_inodes=%d", files)); err != nil {
				t.Skip("no disk can be mounted here:", err)
			}
		}
		unmount := func() {
			if err := syscall.Unmount(disk, 0); err != nil {
				t.Fatal(err)
			}
		}
		mount(1000)
		w.prepareIn(t, disk, w.old)
		before := contents(t, disk)
		if code, said := runIn(t, disk, w.args); code != w.code {
			t.Fatalf("%s: exit code %d without a fault: %s", w.args, code, said)
		}
		good := contents(t, disk)
		unmount()
		least := len(before) + 2 // the folder, and a second name of what prepareIn writes
		for files := least; ; files++ {
			if files > least+10 {
				t.Fatalf("%s does not succeed with room for ten more files", w.args)
			}
			mount(files)
			w.prepareIn(t, disk, w.old)
			code, said := runIn(t, disk, w.args)
			runs++
			for _, wrong := range w.judged(traced{code: code, stderr: said}, before, contents(t, disk), good) {
				t.Errorf("%s with room for %d files: %s", w.args, files, wrong)
			}
			unmount()
			if code == w.code {
				break
			}
			if faults++; code != exitOutput || !strings.Contains(said, "no space left on device") {
				t.Errorf("%s with room for %d files: exit code %d: %s", w.args, files, code, said)
			}
		}
	}
	t.Logf("%d runs, for which the disk had no room for a file in %d", runs, faults)
}

func freeBytes(t *testing.T, folder string) int64 {
	t.Helper()
	var s syscall.Statfs_t
	if err := syscall.Statfs(folder, &s); err != nil {
		t.Fatal(err)
	}
	return int64(s.Bfree) * s.Bsize
}

// runIn runs boothbench in a folder.
func runIn(t *testing.T, folder, args string) (code int, said string) {
	t.Helper()
	program, err := exec.LookPath("boothbench")
	if err != nil {
		t.Fatal(err)
	}
	var stderr bytes.Buffer
	cmd := exec.Command(program, strings.Fields(args)...)
	cmd.Dir, cmd.Stderr = folder, &stderr
	cmd.Run()
	return cmd.ProcessState.ExitCode(), stderr.String()
}
