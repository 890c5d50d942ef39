package wave

import (
	"bytes"
	"encoding/binary"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
)

// dripping gives a few bytes at a time, as a pipe may.
type dripping struct {
	r      io.Reader
	random *rand.Rand
}

func (d *dripping) Read(b []byte) (int, error) { return d.r.Read(b[:min(len(b), 1+d.random.IntN(40))]) }

// A stream in pieces of any size gives what the same file gives, in all formats and with
// chunks of all kinds ahead of the sound.
func TestStreamsReadLikeFiles(t *testing.T) {
	random := rand.New(rand.NewPCG(4, 4))
	for i, f := range formats {
		f.Rate, f.Channels = 48000, 1+i%3
		path := filepath.Join(t.TempDir(), "a.wav")
		chunks := []Chunk{{ID: "bext", Data: make([]byte, 603)}, {ID: "LIST", Data: []byte("INFOICMT\x02\x00\x00\x00ab")}, {ID: "iXML", Data: []byte("behind"), After: true}}
		write(t, path, f, Options{Chunks: chunks, Dither: NoDither}, dsptest.Speechlike(48000, f.Channels, 5000+i, uint64(i)))
		file, want := readAll(t, path)
		raw, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range []io.Reader{bytes.NewReader(raw), iotest.OneByteReader(bytes.NewReader(raw)), &dripping{bytes.NewReader(raw), random}, iotest.DataErrReader(bytes.NewReader(raw))} {
			s, err := NewStream(r, "stream")
			if err != nil {
				t.Fatalf("%v: %v", f, err)
			}
			if s.Format() != file.Format() || s.Frames() != file.Frames() || !slices.EqualFunc(s.Chunks(), chunks[:2], func(a, b Chunk) bool { return a.ID == b.ID && bytes.Equal(a.Data, b.Data) }) {
				t.Errorf("%v: the stream is %v of %d frames with %d chunks", f, s.Format(), s.Frames(), len(s.Chunks()))
			}
			got, err := soundOf(s)
			if err != nil || !sameSound(got, want) || len(s.Warnings()) > 0 {
				t.Errorf("%v: %d frames of %d, or other ones; %v %v", f, got.Frames(), want.Frames(), err, s.Warnings())
			}
		}
	}
}

// A stream that does not state its length ends where it ends, without a warning; one
// that states more than it has is read with a warning.
func TestStreamLengths(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.wav")
	write(t, path, Format{Rate: 1000, Channels: 1, Encoding: Integer, Bits: 16}, Options{}, dsp.NewBlock(1, 500))
	raw, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	data := bytes.Index(raw, []byte("data"))
	for _, c := range []struct {
		size         uint32
		cut          int
		ahead, after int64
		warning      string
	}{
		{1000, 0, 500, 500, ""},
		{0xFFFFFFFF, 0, -1, 500, ""},
		{0, 0, -1, 500, ""},
		{0x7FFFFFFF, 0, -1, 500, ""},
		{0xFFFFFFFF, 1, -1, 499, "the last frame has 1 of 2 bytes; left out"},
		{1000, 200, 500, 400, "a truncated stream: 0.100 s missing; read what is there"},
		{2000, 0, 1000, 500, "a truncated stream: 0.500 s missing; read what is there"},
		{0xFFFFFFFF, 1000, -1, 0, ""},
	} {
		b := bytes.Clone(raw[:len(raw)-c.cut])
		binary.LittleEndian.PutUint32(b[data+4:], c.size)
		s, err := NewStream(bytes.NewReader(b), "stream")
		if err != nil {
			t.Errorf("%+v: %v", c, err)
			continue
		}
		ahead := s.Frames()
		got, err := soundOf(s)
		said := ""
		for _, w := range s.Warnings() {
			said += w.String()
		}
		if err != nil || ahead != c.ahead || got.Frames() != int(c.after) || s.Frames() != c.after || !strings.HasSuffix(said, c.warning) || (said == "") != (c.warning == "") {
			t.Errorf("%+v: %d frames ahead, %d read, %d after; %q, %v", c, ahead, got.Frames(), s.Frames(), said, err)
		}
		if err := s.SeekFrame(0); err == nil {
			t.Errorf("%+v: a stream goes back", c)
		}
	}
	for n := range data + 8 { // cut within the header
		if _, err := NewStream(bytes.NewReader(raw[:n]), "stream"); err == nil || !strings.HasPrefix(err.Error(), "stream: ") {
			t.Errorf("cut at byte %d: %v", n, err)
		}
	}
}

// The header of a written stream is read back: with its length where that was known ahead,
// without it where not.
func TestStreamWriter(t *testing.T) {
	for i, f := range formats {
		f.Rate, f.Channels = 48000, 1+i%3
		sound := dsptest.Speechlike(48000, f.Channels, 3001, uint64(i))
		path := filepath.Join(t.TempDir(), "a.wav")
		write(t, path, f, Options{Dither: NoDither}, sound)
		_, want := readAll(t, path)
		for _, frames := range []int64{3001, 0} {
			var out bytes.Buffer
			w, err := NewStreamWriter(&out, f, Options{Frames: frames, Dither: NoDither})
			if err != nil {
				t.Fatal(err)
			}
			if err := w.Write(sound); err != nil {
				t.Fatal(err)
			}
			if err := w.Commit(); err != nil {
				t.Fatal(err)
			}
			r, err := NewReader(bytes.NewReader(out.Bytes()), int64(out.Len()), "written")
			if err != nil {
				t.Fatalf("%v: %v", f, err)
			}
			got, err := soundOf(r)
			unfinished := len(r.Warnings()) > 0
			if err != nil || !sameSound(got, want) || unfinished != (frames == 0) {
				t.Errorf("%v, %d frames stated: %v %v, or another sound", f, frames, err, r.Warnings())
			}
			s, err := NewStream(bytes.NewReader(out.Bytes()), "stream")
			if err != nil {
				t.Fatal(err)
			}
			if got, err := soundOf(s); err != nil || !sameSound(got, want) || len(s.Warnings()) > 0 {
				t.Errorf("%v, %d frames stated, as a stream: %v %v, or another sound", f, frames, err, s.Warnings())
			}
		}
	}
	w, err := NewStreamWriter(io.Discard, Format{Rate: 8000, Channels: 1, Encoding: Integer, Bits: 16}, Options{Frames: 10})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Write(dsp.NewBlock(1, 9)); err != nil {
		t.Fatal(err)
	}
	if err := w.Commit(); err == nil || !strings.Contains(err.Error(), "9 frames were written, and 10 stated") {
		t.Errorf("fewer frames than stated: %v", err)
	}
}

// Bare samples go in and come out as they are.
func TestRawStreams(t *testing.T) {
	for _, text := range []string{"8000,1,u8", "48000,2,s16le", "44100,3,s24le", "96000,1,s32le", "48000,2,f32le", "48000,1,f64le"} {
		f, err := ParseRaw(text)
		if err != nil || f.Raw() != text {
			t.Fatalf("%s: %v, %q", text, err, f.Raw())
		}
		random := rand.New(rand.NewPCG(9, 9))
		raw := make([]byte, 999*f.frameBytes())
		for i := range raw {
			raw[i] = byte(random.Uint32())
		}
		if f.Encoding == Float { // any finite number
			for i := 0; i+f.Bits/8 <= len(raw); i += f.Bits / 8 {
				x := random.Float64()*4 - 2
				if f.Bits == 32 {
					binary.LittleEndian.PutUint32(raw[i:], math.Float32bits(float32(x)))
				} else {
					binary.LittleEndian.PutUint64(raw[i:], math.Float64bits(x))
				}
			}
		}
		path := filepath.Join(t.TempDir(), "a.raw")
		if err := os.WriteFile(path, append(bytes.Clone(raw), raw[:f.frameBytes()/2]...), 0o666); err != nil {
			t.Fatal(err)
		}
		file, err := OpenRaw(path, f)
		if err != nil {
			t.Fatal(err)
		}
		defer file.Close()
		stream, err := NewRawStream(&dripping{bytes.NewReader(raw), random}, f, "stream")
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range []*Reader{stream, file} {
			sound, err := soundOf(r)
			if err != nil || sound.Frames() != 999 {
				t.Fatalf("%s: %d frames, %v", text, sound.Frames(), err)
			}
			var out bytes.Buffer
			w, err := NewStreamWriter(&out, f, Options{Raw: true, Dither: NoDither})
			if err != nil {
				t.Fatal(err)
			}
			if err := w.Write(sound); err != nil {
				t.Fatal(err)
			}
			if err := w.Commit(); err != nil || !bytes.Equal(out.Bytes(), raw) {
				t.Errorf("%s: what comes out is not what went in (%v)", text, err)
			}
		}
		if part := f.frameBytes() / 2; (len(file.Warnings()) > 0) != (part > 0) {
			t.Errorf("%s: a part of a frame at the end: %v", text, file.Warnings())
		}
	}
	for _, bad := range []string{"", "48000", "48000,2", "48000,2,s24", "48000,0,s16le", "x,2,s16le", "48000,2,s24be", "0,1,s16le", "48000,2,s16le,1"} {
		if _, err := ParseRaw(bad); err == nil {
			t.Errorf("%q is taken", bad)
		}
	}
}
