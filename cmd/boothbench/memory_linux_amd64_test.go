package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
)

// A day of sound is measured, an hour of it has a chain proposed and is delivered, and
// sixty-four channels are processed in bounded memory: that of the whole process, as the
// system counts it.
func TestMemoryOfLongAndWideTakes(t *testing.T) {
	dsptest.Exhaustive(t)
	folder := t.TempDir()
	// Levels are kept for every 25 ms, at any rate: a low one makes a small file.
	writeRepeated(t, filepath.Join(folder, "day.wav"), wave.Format{Rate: 1000, Channels: 1, Encoding: wave.Integer, Bits: 16}, 24*3600/20, 20)
	writeRepeated(t, filepath.Join(folder, "stereo-day.wav"), wave.Format{Rate: 1000, Channels: 2, Encoding: wave.Integer, Bits: 16}, 24*3600/20, 20)
	// Levels for every millisecond are kept of what a chain is set by, and for every 2/3 ms
	// of what a drive is found by, at any rate.
	hour := wave.Format{Rate: 16000, Channels: 1, Encoding: wave.Integer, Bits: 16}
	writeRepeated(t, filepath.Join(folder, "half.wav"), hour, 360, 5)
	writeRepeated(t, filepath.Join(folder, "hour.wav"), hour, 720, 5)
	hour.Channels = 2
	writeRepeated(t, filepath.Join(folder, "wide.wav"), wave.Format{Rate: 48000, Channels: 64, Encoding: wave.Integer, Bits: 16}, 5, 2)
	writeRepeated(t, filepath.Join(folder, "stereo.wav"), hour, 720, 5)
	hour.Rate = 48000
	writeRepeated(t, filepath.Join(folder, "full-rate.wav"), hour, 720, 5)
	for name, text := range map[string]string{
		"limiter.toml":  limiterChain,
		"unlinked.toml": "schema = 1\n[[stage]]\nkind = \"compressor\"\nthreshold_dbfs = -30\nlink_channels = false\n[[stage]]\nkind = \"limiter\"\nlink_channels = false\n",
	} {
		if err := os.WriteFile(filepath.Join(folder, name), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	to := " --loudness-lufs -18 --true-peak-dbtp -1 --limiting-max-db 60 --quiet"
	for _, c := range []struct {
		args    string
		mostMiB float64
	}{
		{"inspect day.wav --quiet", 64},
		{"inspect stereo-day.wav --quiet", 64},
		{"inspect wide.wav --quiet", 256},
		{"propose half.wav --quiet", 64},
		{"propose hour.wav --quiet", 64},
		{"propose stereo.wav --quiet", 64},
		{"propose full-rate.wav --quiet", 64},
		// The model needs the low frequencies of both channels besides, 14 MiB.
		{"propose full-rate.wav --predict --quiet", 72},
		{"propose wide.wav --quiet", 256},
		{"deliver half.wav --chain limiter.toml --out half-out.wav" + to, 64},
		{"deliver hour.wav --chain limiter.toml --out hour-out.wav" + to, 64},
		// Channels of their own: the levels of both take 41 MiB, twice those of linked ones.
		{"deliver stereo.wav --chain unlinked.toml --out stereo-out.wav" + to, 68},
		{"process wide.wav --chain limiter.toml --out limited.wav --quiet", 256},
		{"compare wide.wav limited.wav --quiet", 256},
		{"overshoot --chain limiter.toml --drive 6 wide.wav --quiet", 256},
		{"overshoot --recording limited.wav --ceiling -1 wide.wav --quiet", 256},
		{"tone silence --channels 64 --out silence.wav", 256},
		{"gauge --recording silence.wav silence.wav", 256},
		{"gauge silence --channels 64 --exec 'cp {in} {out}'", 256},
		{"gauge sweep --channels 64 --chain limiter.toml --curve curve.csv", 256},
		{"gauge stepped-tone --channels 64 --chain limiter.toml", 256},
	} {
		usedMiB := peakMiB(t, folder, words(c.args)...)
		t.Logf("%s: %.1f MiB", c.args, usedMiB)
		if usedMiB > c.mostMiB {
			t.Errorf("%s took %.1f MiB, want at most %g", c.args, usedMiB, c.mostMiB)
		}
	}
}

// BenchmarkMemory gives the most memory that commands take for an hour of stereo speech
// at 48 kHz, in MiB.
func BenchmarkMemory(b *testing.B) {
	folder, demo := b.TempDir(), "../../testdata/harbour-street"
	minutes(b, 60, demo+".wav", filepath.Join(folder, "hour.wav"))
	chain, err := filepath.Abs(demo + ".toml")
	if err != nil {
		b.Fatal(err)
	}
	for _, args := range [][]string{
		{"process", "hour.wav", "--chain", chain, "--out", "out.wav", "--replace"},
		{"meter", "hour.wav"},
		{"inspect", "hour.wav"},
		{"propose", "hour.wav"},
		{"compare", "hour.wav", "out.wav"},
	} {
		b.Run(args[0], func(b *testing.B) {
			var usedMiB float64
			for b.Loop() {
				usedMiB = max(usedMiB, peakMiB(b, folder, append(args, "--quiet")...))
			}
			b.ReportMetric(usedMiB, "MiB")
		})
	}
}

// peakMiB runs the command in a folder and returns the most memory that it took, in MiB.
func peakMiB(t testing.TB, folder string, args ...string) float64 {
	t.Helper()
	cmd := exec.Command("peakmemory", append([]string{"boothbench"}, args...)...)
	cmd.Dir = folder
	cmd.Stderr = os.Stderr
	printed, err := cmd.Output()
	if err != nil {
		t.Fatalf("%s: %v", args, err)
	}
	var usedKB int64
	if _, err := fmt.Sscan(string(printed), &usedKB); err != nil {
		t.Fatal(err)
	}
	return float64(usedKB) / 1024
}

func init() { programs["peakmemory"] = peakMemory }

// peakMemory runs a program and prints the most memory that it took, in kB. The system
// counts what a process held when it started another one as the other's (execve(2)): so
// it stands between a large test and a small program.
func peakMemory() {
	cmd := exec.Command(os.Args[1], os.Args[2:]...)
	cmd.Stderr = os.Stderr
	if err := cmd.Run(); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	fmt.Println(cmd.ProcessState.SysUsage().(*syscall.Rusage).Maxrss) // getrusage(2)
}

// words are those of a line, of which some stand between single quotes.
func words(line string) (all []string) {
	for i, part := range strings.Split(line, "'") {
		if i%2 == 1 {
			all = append(all, part)
		} else {
			all = append(all, strings.Fields(part)...)
		}
	}
	return all
}

// writeRepeated writes so many seconds of speech-like sound so many times.
func writeRepeated(t *testing.T, path string, f wave.Format, times, seconds int) {
	t.Helper()
	w, err := wave.Create(path, f, wave.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer w.Abort()
	// Made at 8 kHz at least, where it has all its parts; samples are taken as they are.
	mono := dsptest.Speechlike(max(8000, f.Rate), 1, f.Rate*seconds, 1)[0]
	sound := make(dsp.Block, f.Channels)
	for c := range sound {
		sound[c] = make([]float64, len(mono))
		for n, v := range mono {
			sound[c][n] = v * (1 - 0.005*float64(c))
		}
	}
	for range times {
		if err := w.Write(sound); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Commit(); err != nil {
		t.Fatal(err)
	}
}
