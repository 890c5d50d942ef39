package wave

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
)

// compiled builds one of testdata's C programs, or skips the test where that
// cannot be.
func compiled(t testing.TB, name string, flags ...string) string {
	t.Helper()
	if _, isTest := t.(*testing.T); isTest {
		dsptest.Exhaustive(t) // gcc takes a second
	}
	program, err := compile(t, name, flags...)
	if err != nil {
		missing(t, fmt.Sprintf("gcc or a library's header (%v)", err))
	}
	return program
}

func compile(t testing.TB, name string, flags ...string) (string, error) {
	program := filepath.Join(t.TempDir(), name)
	args := append([]string{"-O3", "-march=native", "-o", program, filepath.Join("testdata", name+".c")}, flags...)
	if out, err := exec.Command("gcc", append(args, "-lm")...).CombinedOutput(); err != nil {
		return "", fmt.Errorf("%w\n%s", err, out)
	}
	return program, nil
}

// libsndfile reads what we write and we read what it writes, sample for
// sample, in every format that both know.
func TestInterchangeWithLibsndfile(t *testing.T) {
	check := compiled(t, "sndfile_check", "-lsndfile")
	const wavFormat, wavex, rf64 = 0x010000, 0x130000, 0x220000
	for _, c := range []struct {
		major, sub int
		format     Format
	}{
		{wavFormat, 0x5, Format{Encoding: Integer, Bits: 8}},
		{wavFormat, 0x2, Format{Encoding: Integer, Bits: 16}},
		{wavFormat, 0x3, Format{Encoding: Integer, Bits: 24}},
		{wavFormat, 0x4, Format{Encoding: Integer, Bits: 32}},
		{wavFormat, 0x6, Format{Encoding: Float, Bits: 32}},
		{wavFormat, 0x7, Format{Encoding: Float, Bits: 64}},
		{wavex, 0x2, Format{Encoding: Integer, Bits: 16}},
		{wavex, 0x3, Format{Encoding: Integer, Bits: 24}},
		{wavex, 0x6, Format{Encoding: Float, Bits: 32}},
		{rf64, 0x3, Format{Encoding: Integer, Bits: 24}},
		{rf64, 0x6, Format{Encoding: Float, Bits: 32}},
		{0, 0, Format{Encoding: Integer, Bits: 20}}, // only reads them
		{0, 0, Format{Encoding: Integer, Bits: 24, ContainerBits: 32}},
	} {
		for _, channels := range []int{1, 2, 6} {
			t.Run(fmt.Sprintf("%06x/%v/ch=%d", c.major|c.sub, c.format, channels), func(t *testing.T) {
				f := c.format
				f.Rate, f.Channels = 44100, channels
				folder := t.TempDir()
				ours, theirs := filepath.Join(folder, "ours.wav"), filepath.Join(folder, "theirs.wav")
				write(t, ours, f, Options{}, dsptest.Programme(44100, channels, 3001, 4))
				_, want := readAll(t, ours)

				cmd := exec.Command(check, "read", ours)
				var said bytes.Buffer
				cmd.Stderr = &said
				out, err := cmd.Output()
				if err != nil {
					t.Fatalf("libsndfile refuses our file: %v\n%s", err, said.String())
				}
				dsptest.Same(t, "our file by libsndfile", planar(out, channels), want)

				if c.major == 0 {
					return
				}
				cmd = exec.Command(check, "write", theirs, fmt.Sprintf("%x", c.major|c.sub), "44100", fmt.Sprint(channels))
				cmd.Stdin = bytes.NewReader(interleaved(want))
				if out, err := cmd.CombinedOutput(); err != nil {
					t.Fatalf("libsndfile: %v\n%s", err, out)
				}
				r, got := readAll(t, theirs)
				dsptest.Same(t, "libsndfile's file by us", got, want)
				if len(r.Warnings()) > 0 || r.Format().Bits != f.Bits || r.Format().Encoding != f.Encoding {
					t.Errorf("libsndfile's file: %v, warnings %v", r.Format(), r.Warnings())
				}
			})
		}
	}
}

func planar(raw []byte, channels int) dsp.Block {
	b := dsp.NewBlock(channels, len(raw)/8/channels)
	for i := range len(raw) / 8 {
		b[i%channels][i/channels] = math.Float64frombits(binary.LittleEndian.Uint64(raw[8*i:]))
	}
	return b
}

func interleaved(b dsp.Block) []byte {
	var raw []byte
	for n := range b.Frames() {
		for c := range b {
			raw = binary.LittleEndian.AppendUint64(raw, math.Float64bits(b[c][n]))
		}
	}
	return raw
}

// scipy's odd little WAVs (scipy/io/tests/data), read by scipy as a second
// opinion. It puts integers at the top of 16 or 32 bits, as we do. What we
// refuse, we refuse by name.
func TestScipysUnusualFiles(t *testing.T) {
	const folder = "/usr/lib/python3/dist-packages/scipy/io/tests/data/test-"
	refused := map[string]string{
		"44100Hz-2ch-32bit-float-be.wav":              "RIFX",
		"44100Hz-be-1ch-4bytes.wav":                   "RIFX",
		"8000Hz-be-3ch-5S-24bit.wav":                  "RIFX",
		"44100Hz-le-1ch-4bytes-early-eof-no-data.wav": "no data chunk",
		"44100Hz-le-1ch-4bytes-incomplete-chunk.wav":  "no fmt chunk",
		"8000Hz-le-1ch-1byte-ulaw.wav":                "mu-law",
		"8000Hz-le-3ch-5S-24bit-inconsistent.wav":     "4 bytes a frame for 3 channels",
		"8000Hz-le-3ch-5S-36bit.wav":                  "36-bit integer",
		"8000Hz-le-3ch-5S-45bit.wav":                  "45-bit integer",
		"8000Hz-le-3ch-5S-53bit.wav":                  "53-bit integer",
		"8000Hz-le-3ch-5S-64bit.wav":                  "64-bit integer",
		"8000Hz-le-5ch-9S-5bit.wav":                   "5-bit integer",
	}
	files, _ := filepath.Glob(folder + "*.wav")
	if len(files) == 0 {
		missing(t, "Debian's python3-scipy")
	}
	read := 0
	for _, path := range files {
		name := strings.TrimPrefix(path, folder)
		r, err := Open(path)
		if want, ok := refused[name]; ok {
			var format *FormatError
			if !errors.As(err, &format) || !strings.Contains(err.Error(), want) {
				t.Errorf("%s: error %v, want a FormatError with %q", name, err, want)
			}
			continue
		}
		if err != nil {
			t.Error(err)
			continue
		}
		defer r.Close()
		if !dsptest.IsExhaustive() && read > 0 { // a start of scipy takes a third of a second
			continue
		}
		out, err := exec.Command("/usr/bin/python3", "-W", "ignore", filepath.Join("testdata", "scipy_read.py"), path).Output()
		if err != nil {
			missing(t, "scipy")
		}
		dsptest.Same(t, name, samples(t, r), planar(out, r.Format().Channels))
		read++
	}
	want := 1
	if dsptest.IsExhaustive() {
		want = 7
	}
	if read < want {
		t.Errorf("only %d files compared, want %d", read, want)
	}
}

// missing skips a test that needs something outside this module, or fails it
// where BOOTHBENCH_REFERENCES=required.
func missing(t testing.TB, what string) {
	t.Helper()
	if os.Getenv("BOOTHBENCH_REFERENCES") == "required" {
		t.Fatalf("%s is missing", what)
	}
	t.Skipf("needs %s", what)
}
