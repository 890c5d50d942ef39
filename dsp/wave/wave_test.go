package wave

import (
	"fmt"
	"io"
	"math"
	"path/filepath"
	"testing"

	"pgregory.net/rapid"

	"github.com/boothbench/boothbench/dsp"
)

// formats are all that the writer writes.
var formats = []Format{
	{Encoding: Integer, Bits: 8}, {Encoding: Integer, Bits: 12}, {Encoding: Integer, Bits: 16}, {Encoding: Integer, Bits: 20}, {Encoding: Integer, Bits: 24},
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
		f.Rate = rapid.SampledFrom([]int{1000, 8000, 44100, 47999, 192000}).Draw(t, "rate")
		f.Channels = rapid.SampledFrom([]int{1, 2, 3, 6, 64}).Draw(t, "channels")
		f.ChannelMask = rapid.SampledFrom([]uint32{0, 0x3, 0x8000063f}).Draw(t, "mask")
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
		if got.Rate != f.Rate || got.ChannelMask != f.ChannelMask || got.Channels != f.Channels || got.Encoding != f.Encoding || got.Bits != f.Bits || got.container() != f.container() {
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
