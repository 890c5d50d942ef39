package wave

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/go-audio/audio"
	"github.com/go-audio/wav"
	"pgregory.net/rapid"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
)

// formats are all that the writer writes.
var formats = []Format{
	{Encoding: Integer, Bits: 8}, {Encoding: Integer, Bits: 16}, {Encoding: Integer, Bits: 20}, {Encoding: Integer, Bits: 24},
	{Encoding: Integer, Bits: 24, ContainerBits: 32}, {Encoding: Integer, Bits: 32}, {Encoding: Float, Bits: 32}, {Encoding: Float, Bits: 64},
}

func readAll(t testing.TB, path string) (*Reader, dsp.Block) {
	t.Helper()
	r, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close() })
	return r, samples(t, r)
}

func samples(t testing.TB, r *Reader) dsp.Block {
	t.Helper()
	b := dsp.NewBlock(r.Format().Channels, int(r.Frames()))
	n, err := r.Read(b)
	if n != b.Frames() || err != nil && !(n == 0 && err == io.EOF) {
		t.Fatalf("read %d of %d frames: %v", n, b.Frames(), err)
	}
	if n, err := r.Read(dsp.NewBlock(len(b), 1)); n != 0 || err != io.EOF {
		t.Fatalf("after the end: %d frames, %v", n, err)
	}
	return b
}

// codes draws samples that a format can hold exactly.
func codes(t *rapid.T, f Format, frames int) dsp.Block {
	b := dsp.NewBlock(f.Channels, frames)
	for _, plane := range b {
		for n := range plane {
			switch {
			case f.Encoding == Float && f.Bits == 64:
				plane[n] = rapid.Float64().Draw(t, "x")
			case f.Encoding == Float:
				plane[n] = float64(rapid.Float32().Draw(t, "x"))
			default:
				full := int64(1) << (f.Bits - 1)
				plane[n] = float64(rapid.Int64Range(-full, full-1).Draw(t, "x")) / float64(full)
			}
		}
	}
	return b
}

func TestRoundTripIsExact(t *testing.T) {
	folder := t.TempDir()
	rapid.Check(t, func(t *rapid.T) {
		f := rapid.SampledFrom(formats).Draw(t, "format")
		f.Rate = rapid.SampledFrom([]int{1, 8000, 44100, 47999, 192000}).Draw(t, "rate")
		f.Channels = rapid.SampledFrom([]int{1, 2, 3, 6, 64}).Draw(t, "channels")
		b := codes(t, f, rapid.IntRange(0, 70).Draw(t, "frames"))
		chunks := []Chunk{{"bext", []byte("odd"), false}, {"LIST", []byte("INFOIART\x04\x00\x00\x00abc\x00"), true}, {"iXML", []byte("<a/>!"), true}}
		path := filepath.Join(folder, "a.wav")
		w, err := Create(path, f, Options{Replace: true, Chunks: chunks})
		if err != nil {
			t.Fatal(err)
		}
		cut := rapid.IntRange(0, b.Frames()).Draw(t, "cut")
		for _, part := range [][2]int{{0, cut}, {cut, b.Frames()}} {
			piece := make(dsp.Block, len(b))
			for c := range b {
				piece[c] = b[c][part[0]:part[1]]
			}
			if err := w.Write(piece); err != nil {
				t.Fatal(err)
			}
		}
		if err := w.Commit(); err != nil {
			t.Fatal(err)
		}
		r, err := Open(path)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		got := r.Format()
		if got.Rate != f.Rate || got.Channels != f.Channels || got.Encoding != f.Encoding || got.Bits != f.Bits || got.container() != f.container() {
			t.Fatalf("wrote %+v, read %+v", f, got)
		}
		if len(r.Warnings()) > 0 || w.Overs() != (Overs{}) {
			t.Fatalf("warnings %v, overs %v", r.Warnings(), w.Overs())
		}
		if fmt.Sprint(r.Chunks()) != fmt.Sprint(chunks) {
			t.Fatalf("chunks %v, want %v", r.Chunks(), chunks)
		}
		out := dsp.NewBlock(f.Channels, b.Frames()+1)
		n, err := r.Read(out)
		if n != b.Frames() || (err != nil) != (n == 0) {
			t.Fatalf("read %d of %d frames, %v", n, b.Frames(), err)
		}
		for c := range b {
			for n := range b[c] {
				if math.Float64bits(out[c][n]) != math.Float64bits(b[c][n]) && b[c][n] == b[c][n] {
					t.Fatalf("channel %d, frame %d: wrote %v, read %v", c, n, b[c][n], out[c][n])
				}
			}
		}
	})
}

// The reading position may move, and small reads give what a large one does.
func TestSeekAndSmallReads(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.wav")
	b := dsptest.Programme(48000, 2, 50_000, 1)
	write(t, path, Format{Rate: 48000, Channels: 2, Encoding: Float, Bits: 64}, Options{}, b)
	r, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	for _, frame := range []int64{0, 49_999, 17, 30_000} {
		if err := r.SeekFrame(frame); err != nil {
			t.Fatal(err)
		}
		for at := frame; at < min(frame+9000, 50_000); {
			piece := dsp.NewBlock(2, 701)
			n, err := r.Read(piece)
			if err != nil {
				t.Fatal(err)
			}
			for c := range piece {
				for i, x := range piece[c][:n] {
					if x != b[c][at+int64(i)] {
						t.Fatalf("frame %d: %v, want %v", at+int64(i), x, b[c][at+int64(i)])
					}
				}
			}
			at += int64(n)
		}
	}
	for _, frame := range []int64{-1, 50_001} {
		if r.SeekFrame(frame) == nil {
			t.Errorf("frame %d: no error", frame)
		}
	}
}

func write(t testing.TB, path string, f Format, o Options, b dsp.Block) *Writer {
	t.Helper()
	w, err := Create(path, f, o)
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Write(b); err != nil {
		t.Fatal(err)
	}
	if err := w.Commit(); err != nil {
		t.Fatal(err)
	}
	return w
}

// file builds the bytes of a WAV by hand.
type file struct{ bytes.Buffer }

func (f *file) chunk(id string, size uint32, body ...byte) *file {
	f.WriteString(id)
	binary.Write(f, binary.LittleEndian, size)
	f.Write(body)
	return f
}

func riff(id string) *file {
	f := &file{}
	f.WriteString(id + "\x00\x00\x00\x00WAVE")
	return f
}

func format(tag, channels uint16, rate uint32, align, bits uint16, more ...byte) []byte {
	var b bytes.Buffer
	for _, v := range []any{tag, channels, rate, rate * uint32(align), align, bits} {
		binary.Write(&b, binary.LittleEndian, v)
	}
	b.Write(more)
	return b.Bytes()
}

func fmtOf(tag, channels uint16, rate uint32, align, bits uint16, more ...byte) func(*file) {
	body := format(tag, channels, rate, align, bits, more...)
	return func(f *file) { f.chunk("fmt ", uint32(len(body)), body...) }
}

// extension is the second half of a WAVE_FORMAT_EXTENSIBLE chunk.
func extension(valid uint16, mask uint32, tag uint16) []byte {
	var b bytes.Buffer
	for _, v := range []any{uint16(22), valid, mask, tag} {
		binary.Write(&b, binary.LittleEndian, v)
	}
	b.WriteString(subFormatTail)
	return b.Bytes()
}

// The layouts are those of Microsoft's "Multiple channel audio data and WAVE
// files", EBU Tech 3306 (RF64) and Rec. ITU-R BS.2088 (BW64).
func TestReadsWhatIsFoundInTheField(t *testing.T) {
	mono16 := fmtOf(1, 1, 8000, 2, 16)
	half := []byte{0, 0x40} // 0.5 at 16 bits
	for name, c := range map[string]struct {
		build   func() *file
		want    []float64 // channel after channel
		warning string
		chunks  string
	}{
		"8 bits are unsigned": {func() *file {
			f := riff("RIFF")
			fmtOf(1, 1, 8000, 1, 8)(f)
			return f.chunk("data", 3, 0, 128, 192, 0)
		}, []float64{-1, 0, 0.5}, "", ""},
		"24 bits, three mono samples and a pad byte": {func() *file {
			f := riff("RIFF")
			fmtOf(1, 1, 8000, 3, 24)(f)
			return f.chunk("data", 9, 0, 0, 0x40, 0xff, 0xff, 0xff, 0, 0, 0x80, 0).chunk("LIST", 4, 'I', 'N', 'F', 'O')
		}, []float64{0.5, -1.0 / (1 << 23), -1}, "", "[{LIST [73 78 70 79] true}]"},
		"20 bits at the top of 3 bytes": {func() *file {
			f := riff("RIFF")
			fmtOf(0xFFFE, 1, 8000, 3, 24, extension(20, 4, 1)...)(f)
			return f.chunk("data", 3, 0xf0, 0xff, 0x7f)
		}, []float64{1 - 1.0/(1<<19)}, "", ""},
		"24 bits at the top of 4 bytes": {func() *file {
			f := riff("RIFF")
			fmtOf(0xFFFE, 2, 48000, 8, 32, extension(24, 3, 1)...)(f)
			return f.chunk("data", 8, 0, 0, 0, 0x40, 0, 0, 0, 0x80)
		}, []float64{0.5, -1}, "", ""},
		"32-bit floating point, above full scale": {func() *file {
			f := riff("RIFF")
			fmtOf(3, 1, 8000, 4, 32)(f)
			return f.chunk("data", 4, 0, 0, 0x20, 0x40)
		}, []float64{2.5}, "", ""},
		"floating point in an extensible header": {func() *file {
			f := riff("RIFF")
			fmtOf(0xFFFE, 1, 8000, 8, 64, extension(64, 0, 3)...)(f)
			return f.chunk("data", 8, 0, 0, 0, 0, 0, 0, 0xe0, 0x3f)
		}, []float64{0.5}, "", ""},
		"unknown and odd chunks before": {func() *file {
			f := riff("RIFF").chunk("bext", 3, 1, 2, 3, 0).chunk("JUNK", 1, 9, 0)
			mono16(f)
			return f.chunk("wxyz", 1, 7, 0).chunk("data", 2, half...)
		}, []float64{0.5}, "", "[{bext [1 2 3] false} {wxyz [7] false}]"},
		"data size 0 of a recorder that was cut off": {func() *file {
			f := riff("RIFF")
			mono16(f)
			return f.chunk("data", 0, 0, 0x40, 0, 0xc0)
		}, []float64{0.5, -0.5}, "unfinished", ""},
		"data size 0xFFFFFFFF of a stream": {func() *file {
			f := riff("RIFF")
			mono16(f)
			return f.chunk("data", 0xFFFFFFFF, 0, 0x40, 0, 0xc0, 1)
		}, []float64{0.5, -0.5}, "unfinished", ""},
		"truly empty, with a chunk behind": {func() *file {
			f := riff("RIFF")
			mono16(f)
			return f.chunk("data", 0).chunk("LIST", 4, 'I', 'N', 'F', 'O')
		}, []float64{}, "", "[{LIST [73 78 70 79] true}]"},
		"truncated": {func() *file {
			f := riff("RIFF")
			mono16(f)
			return f.chunk("data", 16004, 0, 0x40, 0, 0xc0)
		}, []float64{0.5, -0.5}, "1.000 s missing", ""},
		"part of a frame at the end": {func() *file {
			f := riff("RIFF")
			fmtOf(1, 2, 8000, 4, 16)(f)
			return f.chunk("data", 6, 0, 0x40, 0, 0xc0, 1, 2)
		}, []float64{0.5, -0.5}, "last frame has 2 of 4 bytes", ""},
		"two data chunks": {func() *file {
			f := riff("RIFF")
			mono16(f)
			return f.chunk("data", 2, half...).chunk("data", 2, half...)
		}, []float64{0.5}, "second data chunk", ""},
		"RF64": {func() *file {
			f := riff("RF64").chunk("ds64", 28, append(sizes64(100, 4, 2), 0, 0, 0, 0)...)
			mono16(f)
			return f.chunk("data", 0xFFFFFFFF, 0, 0x40, 0, 0xc0).chunk("LIST", 4, 'I', 'N', 'F', 'O')
		}, []float64{0.5, -0.5}, "", "[{LIST [73 78 70 79] true}]"},
		"BW64 with a table": {func() *file {
			f := riff("BW64").chunk("ds64", 40, append(append(sizes64(100, 2, 0), 1, 0, 0, 0), 'a', 'x', 'm', 'l', 2, 0, 0, 0, 0, 0, 0, 0)...)
			mono16(f)
			return f.chunk("data", 0xFFFFFFFF, 0, 0x40).chunk("axml", 0xFFFFFFFF, 'o', 'k')
		}, []float64{0.5}, "", "[{axml [111 107] true}]"},
	} {
		t.Run(name, func(t *testing.T) {
			raw := c.build().Bytes()
			r, err := NewReader(bytes.NewReader(raw), int64(len(raw)), "made.wav")
			if err != nil {
				t.Fatal(err)
			}
			var got []float64
			for _, plane := range samples(t, r) {
				got = append(got, plane...)
			}
			if fmt.Sprint(got) != fmt.Sprint(c.want) {
				t.Errorf("samples %v, want %v", got, c.want)
			}
			if w := fmt.Sprint(r.Warnings()); (c.warning == "") != (len(r.Warnings()) == 0) || !strings.Contains(w, c.warning) {
				t.Errorf("warnings %s, want one with %q", w, c.warning)
			}
			chunks := ""
			if len(r.Chunks()) > 0 {
				chunks = fmt.Sprint(r.Chunks())
			}
			if chunks != c.chunks {
				t.Errorf("chunks %s, want %s", chunks, c.chunks)
			}
		})
	}
}

func sizes64(riff, data, frames uint64) []byte {
	var b []byte
	for _, v := range []uint64{riff, data, frames} {
		b = binary.LittleEndian.AppendUint64(b, v)
	}
	return b
}

func TestRefusesByName(t *testing.T) {
	of := func(build func(f *file)) []byte {
		f := riff("RIFF")
		build(f)
		f.chunk("data", 4, 1, 2, 3, 4)
		return f.Bytes()
	}
	for name, c := range map[string]struct {
		raw  []byte
		want string
	}{
		"empty":              {nil, "an empty file"},
		"text":               {[]byte("schema = 1\nname"), "text"},
		"FLAC":               {[]byte("fLaC\x00\x00\x00\x22 and so on"), "a FLAC file"},
		"AIFF":               {[]byte("FORM\x00\x00\x00\x00AIFF"), "an AIFF file"},
		"MPEG":               {[]byte("ID3\x04\x00\x00\x00\x00\x00\x00\x00\x00"), "an MPEG audio file"},
		"big-endian":         {[]byte("RIFX\x00\x00\x00\x00WAVE"), "RIFX"},
		"other RIFF":         {[]byte("RIFF\x00\x00\x00\x00AVI "), "not WAVE"},
		"A-law":              {of(fmtOf(6, 1, 8000, 1, 8)), "A-law"},
		"mu-law, extensible": {of(fmtOf(0xFFFE, 1, 8000, 1, 8, extension(8, 0, 7)...)), "mu-law"},
		"ADPCM":              {of(fmtOf(2, 1, 8000, 1, 4)), "ADPCM"},
		"foreign sub-format": {of(fmtOf(0xFFFE, 1, 8000, 2, 16, make([]byte, 24)...)), "sub-format"},
		"0 channels":         {of(fmtOf(1, 0, 8000, 2, 16)), "0 channels"},
		"65 channels":        {of(fmtOf(1, 65, 8000, 130, 16)), "65 channels"},
		"rate 0":             {of(fmtOf(1, 1, 0, 2, 16)), "0 Hz"},
		"align 3 for stereo": {of(fmtOf(1, 2, 8000, 3, 16)), "3 bytes a frame"},
		"align 0":            {of(fmtOf(1, 2, 8000, 0, 16)), "0 bytes a frame"},
		"64-bit integers":    {of(fmtOf(1, 1, 8000, 8, 64)), "64-bit integer"},
		"16-bit floats":      {of(fmtOf(3, 1, 8000, 2, 16)), "16-bit floating"},
		"24 bits in 2 bytes": {of(fmtOf(1, 1, 8000, 2, 24)), "24-bit integer"},
		"short fmt":          {of(func(f *file) { f.chunk("fmt ", 4, 1, 0, 1, 0) }), "4 bytes"},
		"data before fmt":    {riff("RIFF").chunk("data", 2, 0, 0).Bytes(), "ahead of the fmt"},
		"no data":            {of(func(f *file) {})[:12], "no fmt chunk"},
		"fmt alone":          {func() []byte { f := riff("RIFF"); fmtOf(1, 1, 8000, 2, 16)(f); return f.Bytes() }(), "no data chunk"},
		"fmt of 256 MiB":     {riff("RIFF").chunk("fmt ", 0x10000000, 1, 0).Bytes(), "2 bytes"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := NewReader(bytes.NewReader(c.raw), int64(len(c.raw)), "odd.wav")
			var format *FormatError
			if !errors.As(err, &format) || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), "odd.wav") || !strings.Contains(err.Error(), "accepted") {
				t.Errorf("error %v, want a FormatError with %q", err, c.want)
			}
		})
	}
	folder := t.TempDir()
	if _, err := Open(folder); err == nil || !strings.Contains(err.Error(), "folder") {
		t.Errorf("a folder gives %v", err)
	}
	if _, err := Open(filepath.Join(folder, "none.wav")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a missing file gives %v", err)
	}
}

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
		want := dsp.Block{{0, top, top, top, top, -1, 0}, {0, 0, -1, -1, -1, 0, 2 / full}} // 1.5 rounds to even
		for c := range want {
			for n := range want[c] {
				if got[c][n] != want[c][n] {
					t.Errorf("%v: %v became %v, want %v", f, in[c][n], got[c][n], want[c][n])
				}
			}
		}
		if o := w.Overs(); o != (Overs{Count: 6, FirstFrame: 2, Channel: 0, NonFinite: 3}) {
			t.Errorf("%v: overs %+v", f, o)
		}
	}
}

// Theory: with TPDF dither the total error's power is q²/4, its mean 0, both
// independent of the sound (Lipshitz, Wannamaker, Vanderkooy, JAES 1992).
func TestDitherErrorIsAsInTheory(t *testing.T) {
	const frames = 400_000
	for _, level := range []float64{0, 0.3 / 32768, 0.5 / 32768, 0.37} {
		path := filepath.Join(t.TempDir(), "a.wav")
		in := dsp.NewBlock(2, frames)
		for _, plane := range in {
			for n := range plane {
				plane[n] = level
			}
		}
		write(t, path, Format{Rate: 48000, Channels: 2, Encoding: Integer, Bits: 16}, Options{Dither: TPDF, Seed: 3}, in)
		_, out := readAll(t, path)
		var cross float64
		for c := range out {
			var sum, power float64
			for n, y := range out[c] {
				e := (y - level) * 32768
				sum += e
				power += e * e
				if c == 1 {
					cross += e * (out[0][n] - level) * 32768
				}
			}
			// Five standard errors of the mean (0.5/√N) and of the power: the
			// error's fourth moment is below 0.25, so below 0.5/√N too.
			limit := 5 * 0.5 / math.Sqrt(frames)
			if mean := sum / frames; math.Abs(mean) > limit {
				t.Errorf("level %g: mean error %.4f LSB, limit %.4f", level, mean, limit)
			}
			if p := power / frames; math.Abs(p-0.25) > limit {
				t.Errorf("level %g: error power %.4f LSB², theory 0.25 ± %.4f", level, p, limit)
			}
		}
		if r := cross / frames; math.Abs(r) > 5*0.25/math.Sqrt(frames) {
			t.Errorf("level %g: the channels' errors are correlated: %.4f LSB²", level, r)
		}
	}
}

func TestOutputsAreWholeOrNotThere(t *testing.T) {
	folder := t.TempDir()
	path := filepath.Join(folder, "take.wav")
	f := Format{Rate: 8000, Channels: 1, Encoding: Integer, Bits: 16}
	list := func() string {
		entries, err := os.ReadDir(folder)
		if err != nil {
			t.Fatal(err)
		}
		var names []string
		for _, e := range entries {
			names = append(names, e.Name())
		}
		return strings.Join(names, " ")
	}
	w, err := Create(path, f, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Write(dsp.Block{{1, 2}}); err != nil {
		t.Fatal(err)
	}
	if l := list(); !strings.HasPrefix(l, ".take.wav.partial-") || strings.Contains(l, " ") {
		t.Errorf("while writing: %s", l)
	}
	w.Abort()
	if l := list(); l != "" {
		t.Errorf("after Abort: %s", l)
	}
	write(t, path, f, Options{}, dsp.NewBlock(1, 5))
	if l := list(); l != "take.wav" {
		t.Errorf("after Commit: %s", l)
	}
	if _, err := Create(path, f, Options{}); !errors.Is(err, ErrExists) {
		t.Errorf("an existing file gives %v", err)
	}
	os.Symlink("take.wav", filepath.Join(folder, "link.wav"))
	os.Link(path, filepath.Join(folder, "hard.wav"))
	for _, name := range []string{"take.wav", "link.wav", "hard.wav", "./x/../take.wav"} {
		os.Mkdir(filepath.Join(folder, "x"), 0o777)
		_, err := Create(folder+"/"+name, f, Options{Replace: true, Inputs: []string{path}})
		if !errors.Is(err, ErrIsInput) {
			t.Errorf("%s over its input gives %v", name, err)
		}
	}
	if _, err := Create(filepath.Join(folder, "new.wav"), f, Options{Inputs: []string{filepath.Join(folder, "x/../new.wav")}}); !errors.Is(err, ErrIsInput) {
		t.Errorf("an input that is not there yet: %v", err)
	}
	if _, err := Create(folder, f, Options{Replace: true}); err == nil || !strings.Contains(err.Error(), "folder") {
		t.Errorf("a folder gives %v", err)
	}
	if _, err := Create(path, Format{Rate: 8000, Channels: 1, Bits: 33}, Options{}); err == nil {
		t.Error("33 bits: no error")
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

// A sparse RF64 file of 5 GiB: nothing in the reader may be 32 bits wide.
func TestReadsBeyond4GiB(t *testing.T) {
	path := filepath.Join(t.TempDir(), "long.wav")
	const frames = 5 << 29 // 2 bytes each
	f := riff("RF64").chunk("ds64", 28, append(sizes64(frames*2+100, frames*2, frames), 0, 0, 0, 0)...)
	fmtOf(1, 1, 48000, 2, 16)(f)
	f.chunk("data", 0xFFFFFFFF)
	head := int64(f.Len())
	if err := os.WriteFile(path, f.Bytes(), 0o666); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(path, head+frames*2); err != nil {
		t.Skip("no room for a sparse file:", err)
	}
	out, err := os.OpenFile(path, os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	out.WriteAt([]byte{0, 0x40}, head+(frames-2)*2)
	out.Close()
	r, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if r.Frames() != frames {
		t.Fatalf("%d frames, want %d", r.Frames(), int64(frames))
	}
	if err := r.SeekFrame(frames - 3); err != nil {
		t.Fatal(err)
	}
	b := dsp.NewBlock(1, 10)
	if n, err := r.Read(b); n != 3 || err != nil || b[0][0] != 0 || b[0][1] != 0.5 {
		t.Errorf("last frames: %d, %v, %v", n, err, b[0][:3])
	}
}

// go-audio/wav is a second implementation for integers of 8 to 32 bits. (Its
// reader gives 8 bits unsigned, and its encoder wants them so.)
func TestAgreesWithGoAudio(t *testing.T) {
	for _, bits := range []int{8, 16, 24, 32} {
		f := Format{Rate: 44100, Channels: 2, Encoding: Integer, Bits: bits}
		path := filepath.Join(t.TempDir(), "ours.wav")
		in := dsptest.Programme(44100, 2, 3000, 6)
		write(t, path, f, Options{}, in)
		_, ours := readAll(t, path)
		full := float64(int64(1) << (bits - 1))
		offset := 0
		if bits == 8 {
			offset = 128
		}

		raw, err := os.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		defer raw.Close()
		buf, err := wav.NewDecoder(raw).FullPCMBuffer()
		if err != nil || len(buf.Data) != 6000 || buf.Format.SampleRate != 44100 {
			t.Fatalf("%d bits: %d samples, %v", bits, len(buf.Data), err)
		}
		for i, code := range buf.Data {
			if want := ours[i%2][i/2]; float64(code-offset)/full != want {
				t.Fatalf("%d bits, sample %d: go-audio reads %d, we read %v", bits, i, code, want)
			}
		}

		theirs, err := os.Create(filepath.Join(t.TempDir(), "theirs.wav"))
		if err != nil {
			t.Fatal(err)
		}
		enc := wav.NewEncoder(theirs, 44100, bits, 2, 1)
		if err := enc.Write(&audio.IntBuffer{Format: buf.Format, Data: buf.Data, SourceBitDepth: bits}); err != nil {
			t.Fatal(err)
		}
		if err := enc.Close(); err != nil {
			t.Fatal(err)
		}
		theirs.Close()
		_, again := readAll(t, theirs.Name())
		dsptest.Same(t, fmt.Sprintf("%d bits written by go-audio", bits), again, ours)
	}
}

func TestFloatBufferRoundTrip(t *testing.T) {
	b := dsptest.Programme(48000, 3, 100, 2)
	got, err := FromFloatBuffer(ToFloatBuffer(b, 48000))
	if err != nil {
		t.Fatal(err)
	}
	dsptest.Same(t, "round trip", got, b)
	for name, bad := range map[string]*audio.FloatBuffer{
		"nil": nil, "no format": {}, "0 channels": {Format: &audio.Format{}},
		"part of a frame": {Format: &audio.Format{NumChannels: 2}, Data: make([]float64, 3)},
	} {
		if _, err := FromFloatBuffer(bad); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

func FuzzReader(f *testing.F) {
	good := riff("RIFF").chunk("bext", 3, 1, 2, 3, 0)
	fmtOf(0xFFFE, 2, 48000, 8, 32, extension(24, 3, 1)...)(good)
	good.chunk("data", 8, 0, 0, 0, 0x40, 0, 0, 0, 0x80).chunk("LIST", 4, 'I', 'N', 'F', 'O')
	f.Add(good.Bytes())
	long := riff("RF64").chunk("ds64", 28, append(sizes64(100, 4, 2), 0, 0, 0, 0)...)
	fmtOf(1, 1, 8000, 2, 16)(long)
	f.Add(long.chunk("data", 0xFFFFFFFF, 0, 0x40, 0, 0xc0).Bytes())
	f.Fuzz(func(t *testing.T, raw []byte) {
		r, err := NewReader(bytes.NewReader(raw), int64(len(raw)), "fuzz.wav")
		if err != nil {
			return
		}
		if r.Frames()*int64(r.Format().frameBytes()) > int64(len(raw)) {
			t.Fatalf("%d frames of %v in %d bytes", r.Frames(), r.Format(), len(raw))
		}
		b := dsp.NewBlock(r.Format().Channels, 64)
		total := int64(0)
		for {
			n, err := r.Read(b)
			if total += int64(n); err != nil {
				if err != io.EOF || total != r.Frames() {
					t.Fatalf("%d of %d frames, then %v", total, r.Frames(), err)
				}
				return
			}
		}
	})
}
