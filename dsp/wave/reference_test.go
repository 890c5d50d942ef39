package wave

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
)

// compiled builds one of testdata's C programs, or skips the test where that
// cannot be; BOOTHBENCH_REFERENCES=required makes it a failure.
func compiled(t testing.TB, name string, flags ...string) string {
	t.Helper()
	program := filepath.Join(t.TempDir(), name)
	args := append([]string{"-O3", "-march=native", "-o", program, filepath.Join("testdata", name+".c")}, flags...)
	if out, err := exec.Command("gcc", append(args, "-lm")...).CombinedOutput(); err != nil {
		if os.Getenv("BOOTHBENCH_REFERENCES") == "required" {
			t.Fatalf("gcc: %v\n%s", err, out)
		}
		t.Skipf("needs gcc (and libsndfile's header): %v", err)
	}
	return program
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

// scipy's odd little WAVs (scipy/io/tests/data): each is read or refused, and
// none surprises.
func TestScipysOddFiles(t *testing.T) {
	files, _ := filepath.Glob("/usr/lib/python3/dist-packages/scipy/io/tests/data/*.wav")
	if len(files) == 0 {
		if os.Getenv("BOOTHBENCH_REFERENCES") == "required" {
			t.Fatal("scipy's test files are not installed")
		}
		t.Skip("needs Debian's python3-scipy")
	}
	for _, path := range files {
		r, err := Open(path)
		if err != nil {
			t.Logf("%s: %v", filepath.Base(path), err)
			continue
		}
		b := dsp.NewBlock(r.Format().Channels, 512)
		total := 0
		for {
			n, err := r.Read(b)
			total += n
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Errorf("%s: %v", path, err)
				break
			}
		}
		t.Logf("%s: %v, %d frames, %v", filepath.Base(path), r.Format(), total, r.Warnings())
		r.Close()
	}
}
