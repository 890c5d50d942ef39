package wave

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"pgregory.net/rapid"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
)

// What lies over full scale is clamped and counted; it never wraps.
func TestClampsAndCounts(t *testing.T) {
	for _, f := range formats {
		if f.Encoding == Float {
			continue
		}
		f.Rate, f.Channels = 48000, 2
		path := filepath.Join(t.TempDir(), "a.wav")
		full := float64(int64(1) << (f.Bits - 1))
		in := dsp.Block{
			{0, 1 - 1/full, 1, 1e300, math.Inf(1), -1, (0.5 - 1e-9) / full},
			{0, 0, -1.5, -1e300, math.Inf(-1), math.NaN(), 1.5 / full},
		}
		w := write(t, path, f, Options{}, in)
		_, got := readAll(t, path)
		top := 1 - 1/full
		want := dsp.Block{{0, top, top, top, 0, -1, 0}, {0, 0, -1, -1, 0, 0, 2 / full}} // 1.5 rounds to even
		for c := range want {
			for n := range want[c] {
				if got[c][n] != want[c][n] {
					t.Errorf("%v: %v became %v, want %v", f, in[c][n], got[c][n], want[c][n])
				}
			}
		}
		if o := w.Overs(); o != (Overs{Count: 4, FirstFrame: 2, Channel: 0, NonFinite: 3}) {
			t.Errorf("%v: overs %+v", f, o)
		}
	}
}

func TestLongFilesBecomeRF64(t *testing.T) {
	defer func(limit int64) { riffLimit = limit }(riffLimit)
	riffLimit = 5000
	f := Format{Rate: 48000, Channels: 1, Encoding: Integer, Bits: 24}
	for frames, want := range map[int]string{1000: "RIFF", 2001: "RF64"} {
		path := filepath.Join(t.TempDir(), "a.wav")
		b := dsp.NewBlock(1, frames)
		b[0][frames-1] = 0.5
		write(t, path, f, Options{Chunks: []Chunk{{"LIST", []byte("INFO"), true}}}, b)
		raw, _ := os.ReadFile(path)
		if string(raw[:4]) != want {
			t.Errorf("%d frames: %s, want %s", frames, raw[:4], want)
		}
		r, got := readAll(t, path)
		if r.Frames() != int64(frames) || got[0][frames-1] != 0.5 || len(r.Chunks()) != 1 || len(r.Warnings()) != 0 {
			t.Errorf("%d frames: %d read, chunks %v, warnings %v", frames, r.Frames(), r.Chunks(), r.Warnings())
		}
	}
}

// The first clamped sample is the earliest, whatever channel it is in.
func TestFirstOverIsTheEarliest(t *testing.T) {
	in := dsp.NewBlock(3, 5000)
	in[0][3000], in[1][2400], in[1][4000], in[2][2400] = 2, -2, 2, 2
	w := write(t, filepath.Join(t.TempDir(), "a.wav"), Format{Rate: 8000, Channels: 3, Encoding: Integer, Bits: 16}, Options{}, in)
	if o := w.Overs(); o != (Overs{Count: 4, FirstFrame: 2400, Channel: 1}) {
		t.Errorf("overs %+v", o)
	}
}

// The quantiser's twin, as one would write it down.
func TestQuantiserAgainstPlainRounding(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := rapid.SampledFrom(formats[:7]).Draw(t, "format")
		full := float64(int64(1) << (f.Bits - 1))
		x := rapid.OneOf(
			rapid.Float64(), rapid.Float64Range(-1.1, 1.1),
			rapid.SampledFrom([]float64{math.NaN(), math.Inf(1), math.Inf(-1), math.MaxFloat64, -math.MaxFloat64, 5e-324, -1, 1, math.Copysign(0, -1)}),
			rapid.Custom(func(t *rapid.T) float64 { // on and beside the half-way points
				k := rapid.Int64Range(-int64(full)-2, int64(full)+2).Draw(t, "code")
				x := (float64(k) + 0.5) / full
				return rapid.SampledFrom([]float64{x, math.Nextafter(x, 2), math.Nextafter(x, -2)}).Draw(t, "x")
			}),
		).Draw(t, "x")
		var want float64
		var overs Overs
		switch v := math.RoundToEven(x * full); {
		case math.IsNaN(x) || math.IsInf(x, 0):
			overs.NonFinite = 1
		case v > full-1:
			want, overs.Count = full-1, 1
		case v < -full:
			want, overs.Count = -full, 1
		default:
			want = v
		}
		f.Channels, f.Rate = 1, 48000
		q := newQuantiser(f, NoDither, 0)
		u := index(x, q.scale, q.bias)
		if u >= q.span {
			u = q.over(x, 0, 0)
		}
		if got := float64(int64(u) - int64(q.full)); got != want || q.overs != overs {
			t.Fatalf("%v at %d bits: %v, want %v; overs %+v, want %+v", x, f.Bits, got, want, q.overs, overs)
		}
	})
}

// What 32-bit floating point cannot hold is clamped, not made infinite.
func TestFloatsAreClampedToTheirRange(t *testing.T) {
	folder := t.TempDir()
	in := dsp.Block{{1e300, -1e300, math.Inf(-1), math.NaN(), 1.5, math.MaxFloat32}}
	w := write(t, filepath.Join(folder, "32.wav"), Format{Rate: 8000, Channels: 1, Encoding: Float, Bits: 32}, Options{}, in)
	_, got := readAll(t, filepath.Join(folder, "32.wav"))
	if fmt.Sprint(got[0]) != fmt.Sprint([]float64{math.MaxFloat32, -math.MaxFloat32, math.Inf(-1), math.NaN(), 1.5, math.MaxFloat32}) {
		t.Errorf("32 bits: %v", got[0])
	}
	if o := w.Overs(); o != (Overs{Count: 2, NonFinite: 2}) {
		t.Errorf("32 bits: overs %+v", o)
	}
	w = write(t, filepath.Join(folder, "64.wav"), Format{Rate: 8000, Channels: 1, Encoding: Float, Bits: 64}, Options{}, in)
	_, got = readAll(t, filepath.Join(folder, "64.wav"))
	if fmt.Sprint(got) != fmt.Sprint(in) || w.Overs() != (Overs{NonFinite: 2}) {
		t.Errorf("64 bits: %v, overs %+v", got, w.Overs())
	}
}

// The bytes depend on the samples and the options alone: not on the blocks
// that they come in, not on the time, and a channel's not on other channels.
func TestSameSamplesSameBytes(t *testing.T) {
	folder := t.TempDir()
	bytesOf := func(name string, f Format, o Options, b dsp.Block, sizes ...int) string {
		path := filepath.Join(folder, name)
		w, err := Create(path, f, o)
		if err != nil {
			t.Fatal(err)
		}
		for from, i := 0, 0; from < b.Frames(); i++ {
			to := min(b.Frames(), from+sizes[i%len(sizes)])
			piece := make(dsp.Block, len(b))
			for c := range b {
				piece[c] = b[c][from:to]
			}
			if err := w.Write(piece); err != nil {
				t.Fatal(err)
			}
			from = to
		}
		if err := w.Commit(); err != nil {
			t.Fatal(err)
		}
		raw, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		return fmt.Sprint(w.Overs()) + string(raw)
	}
	for i, f := range formats {
		for _, channels := range dsptest.Some(1, []int{2, 1, 3}) {
			f.Rate, f.Channels = 48000, channels
			o := Options{Dither: TPDF, Seed: 7, Replace: true}
			b := dsptest.Programme(48000, channels, 30_011, 3)
			want := bytesOf("a.wav", f, o, b, 30_011)
			for _, sizes := range [][]int{{1}, {64}, {1023, 1025, 7}, {20_000}} {
				if bytesOf("b.wav", f, o, b, sizes...) != want {
					t.Errorf("%v: blocks of %v frames give other bytes", f, sizes)
				}
			}
			o.Seed = 8
			if other := bytesOf("b.wav", f, o, b, 30_011); (other != want) != (f.Encoding == Integer) {
				t.Errorf("%v: another seed gives the same bytes: %v", f, other == want)
			}
			_, all := readAll(t, filepath.Join(folder, "b.wav"))
			f.Channels = 1
			bytesOf("b.wav", f, o, b[:1], 30_011)
			_, alone := readAll(t, filepath.Join(folder, "b.wav"))
			dsptest.Same(t, fmt.Sprintf("format %d, first of %d channels", i, channels), alone, all[:1])
		}
	}
}

// Whole files, byte for byte, laid out as in Microsoft's "Multiple channel
// audio data and WAVE files".
func TestFilesHaveTheStandardLayout(t *testing.T) {
	const junk = "JUNK\x1c\x00\x00\x00" + "\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00"
	for name, c := range map[string]struct {
		format Format
		want   string
	}{
		"PCM, odd length": {Format{Rate: 48000, Channels: 1, Encoding: Integer, Bits: 24},
			"RIFF\x4c\x00\x00\x00WAVE" + junk + "fmt \x10\x00\x00\x00" +
				"\x01\x00\x01\x00\x80\xbb\x00\x00\x80\x32\x02\x00\x03\x00\x18\x00" + "data\x03\x00\x00\x00\x00\x00\x40" + "\x00"},
		"IEEE floating point with fact": {Format{Rate: 48000, Channels: 1, Encoding: Float, Bits: 32},
			"RIFF\x5a\x00\x00\x00WAVE" + junk + "fmt \x12\x00\x00\x00" +
				"\x03\x00\x01\x00\x80\xbb\x00\x00\x00\xee\x02\x00\x04\x00\x20\x00\x00\x00" +
				"fact\x04\x00\x00\x00\x01\x00\x00\x00" + "data\x04\x00\x00\x00\x00\x00\x00\x3f"},
		"extensible, three channels": {Format{Rate: 48000, Channels: 3, Encoding: Integer, Bits: 8},
			"RIFF\x64\x00\x00\x00WAVE" + junk + "fmt \x28\x00\x00\x00" +
				"\xfe\xff\x03\x00\x80\xbb\x00\x00\x80\x32\x02\x00\x03\x00\x08\x00" + "\x16\x00\x08\x00\x00\x00\x00\x00" +
				"\x01\x00\x00\x00\x00\x00\x10\x00\x80\x00\x00\xaa\x00\x38\x9b\x71" + "data\x03\x00\x00\x00\xc0\xc0\xc0\x00"},
		"extensible, 24 of 32 bits, centre": {Format{Rate: 48000, Channels: 1, Encoding: Integer, Bits: 24, ContainerBits: 32, ChannelMask: 4},
			"RIFF\x64\x00\x00\x00WAVE" + junk + "fmt \x28\x00\x00\x00" +
				"\xfe\xff\x01\x00\x80\xbb\x00\x00\x00\xee\x02\x00\x04\x00\x20\x00" + "\x16\x00\x18\x00\x04\x00\x00\x00" +
				"\x01\x00\x00\x00\x00\x00\x10\x00\x80\x00\x00\xaa\x00\x38\x9b\x71" + "data\x04\x00\x00\x00\x00\x00\x00\x40"},
	} {
		path := filepath.Join(t.TempDir(), "a.wav")
		write(t, path, c.format, Options{}, dsp.Block{{0.5}, {0.5}, {0.5}}[:c.format.Channels])
		if raw, _ := os.ReadFile(path); string(raw) != c.want {
			t.Errorf("%s:\n% x, want\n% x", name, raw, c.want)
		}
	}
}

func TestWriterRefuses(t *testing.T) {
	good := Format{Rate: 48000, Channels: 2, Encoding: Integer, Bits: 16}
	folder := t.TempDir()
	path := filepath.Join(folder, "a.wav")
	for name, c := range map[string]struct {
		change func(f *Format, o *Options)
		want   string
	}{
		"rate 0":              {func(f *Format, o *Options) { f.Rate = 0 }, "a sample rate of 0 Hz"},
		"0 channels":          {func(f *Format, o *Options) { f.Channels = 0 }, "0 channels"},
		"65 channels":         {func(f *Format, o *Options) { f.Channels = 65 }, "65 channels"},
		"7 bits":              {func(f *Format, o *Options) { f.Bits = 7 }, "7-bit integers"},
		"33 bits":             {func(f *Format, o *Options) { f.Bits = 33 }, "33-bit integers"},
		"24 bits in 16":       {func(f *Format, o *Options) { f.Bits, f.ContainerBits = 24, 16 }, "24 bits in a container of 16"},
		"24 bits in 28":       {func(f *Format, o *Options) { f.Bits, f.ContainerBits = 24, 28 }, "24 bits in a container of 28"},
		"16-bit floats":       {func(f *Format, o *Options) { f.Encoding = Float }, "16-bit floating point"},
		"floats in 8 bytes":   {func(f *Format, o *Options) { f.Encoding, f.Bits, f.ContainerBits = Float, 32, 64 }, "32-bit floating point in 8 bytes"},
		"chunk name too long": {func(f *Format, o *Options) { o.Chunks = []Chunk{{ID: "INFOS"}} }, `"INFOS"`},
		"binary chunk name":   {func(f *Format, o *Options) { o.Chunks = []Chunk{{ID: "a\x00b "}} }, "four printable characters"},
		"chunk of 17 MiB":     {func(f *Format, o *Options) { o.Chunks = []Chunk{{ID: "bext", Data: make([]byte, 17<<20)}} }, "up to 16 MiB"},
		"chunk of its own":    {func(f *Format, o *Options) { o.Chunks = []Chunk{{ID: "data"}} }, `chunk "data" to carry over`},
	} {
		f, o := good, Options{}
		c.change(&f, &o)
		_, err := Create(path, f, o)
		var format *FormatError
		if !errors.As(err, &format) || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), "a.wav") {
			t.Errorf("%s: error %v, want a FormatError with %q", name, err, c.want)
		}
	}
	w, err := Create(path, good, Options{})
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range []dsp.Block{nil, dsp.NewBlock(1, 4), {make([]float64, 4), make([]float64, 3)}} {
		if err := w.Write(b); err == nil || !strings.Contains(err.Error(), "a.wav") {
			t.Errorf("%d planes: %v", len(b), err)
		}
	}
	if err := w.Commit(); err != nil { // without a sample: a WAV of no frames
		t.Fatal(err)
	}
	if r, _ := readAll(t, path); r.Frames() != 0 || len(r.Warnings()) != 0 {
		t.Errorf("an empty file: %d frames, %v", r.Frames(), r.Warnings())
	}
	if err := w.Write(dsp.NewBlock(2, 100_000)); !errors.Is(err, errFinished) {
		t.Errorf("writing after Commit: %v", err)
	}
	if err := w.Commit(); !errors.Is(err, errFinished) {
		t.Errorf("a second Commit: %v", err)
	}
	if err := w.Abort(); err != nil {
		t.Errorf("Abort after Commit: %v", err)
	}
	if _, err := os.Stat(path); err != nil {
		t.Errorf("Abort after Commit removed the file: %v", err)
	}
}

// A full disk: the error says how much is missing, and nothing stays.
func TestFullDisk(t *testing.T) {
	full, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
	if err != nil {
		t.Skip("no /dev/full:", err)
	}
	folder := t.TempDir()
	for frames, want := range map[int64]string{0: "and more are needed", 100_000: "and 400000 more are needed"} {
		w, err := Create(filepath.Join(folder, "a.wav"), Format{Rate: 48000, Channels: 2, Encoding: Integer, Bits: 16}, Options{Frames: frames})
		if err != nil {
			t.Fatal(err)
		}
		w.file().f.Close()
		w.file().f = full
		err = w.Write(dsp.NewBlock(2, 100_000))
		if !errors.Is(err, syscall.ENOSPC) || !strings.Contains(err.Error(), "the disk is full: 80 bytes were written") || !strings.Contains(err.Error(), want) {
			t.Errorf("error %v, want one with %q", err, want)
		}
		if again := w.Commit(); again != err {
			t.Errorf("Commit after a failure: %v", again)
		}
		if left, _ := os.ReadDir(folder); len(left) != 0 {
			t.Errorf("%v is left behind", left)
		}
		if full, err = os.OpenFile("/dev/full", os.O_WRONLY, 0); err != nil {
			t.Fatal(err)
		}
	}
	full.Close()
}

// TestReopen: what is read ahead of Commit is what appears, and nothing appears
// after Abort.
func TestReopen(t *testing.T) {
	path := filepath.Join(t.TempDir(), "out.wav")
	for _, commit := range []bool{false, true} {
		w, err := Create(path, Format{Rate: 48000, Channels: 1, Bits: 24}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if err := w.Write(dsp.Block{{0.5, -0.25, 0.125}}); err != nil {
			t.Fatal(err)
		}
		r, err := w.Reopen()
		if err != nil {
			t.Fatal(err)
		}
		got := dsp.NewBlock(1, 8)
		n, err := r.Read(got)
		if n != 3 || err != nil || got[0][0] != 0.5 || got[0][2] != 0.125 {
			t.Errorf("read %d frames %v, %v", n, got[0][:n], err)
		}
		r.Close()
		if w.Write(dsp.Block{{1}}) == nil {
			t.Error("wrote to a file that was complete")
		}
		if !commit {
			w.Abort()
			if left, _ := filepath.Glob(filepath.Join(filepath.Dir(path), "*")); len(left) > 0 {
				t.Errorf("left %v", left)
			}
			continue
		}
		if err := w.Commit(); err != nil {
			t.Fatal(err)
		}
		if r, err := Open(path); err != nil || r.Frames() != 3 {
			t.Errorf("%v frames, %v", r.Frames(), err)
		}
	}
}
