package wave

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/go-audio/wav"

	"github.com/boothbench/boothbench/dsp"
)

// reading is a source whose Read is a function.
type reading func(b dsp.Block) (int, error)

func (reading) Format() Format                  { return Unquantised(48000, 2) }
func (r reading) Read(b dsp.Block) (int, error) { return r(b) }

func wantError(t *testing.T, name string, err error, says string) {
	t.Helper()
	if err == nil || !strings.Contains(err.Error(), says) {
		t.Errorf("%s: error %v; want one that says %q", name, err, says)
	}
}

// A source that breaks its contract gives an error that says how: no endless wait, no index
// error.
func TestReadNextHoldsASourceToItsContract(t *testing.T) {
	b := dsp.NewBlock(2, 100)
	returns := func(n int, err error) reading { return func(dsp.Block) (int, error) { return n, err } }
	for says, r := range map[string]reading{
		"returned 101 frames for a block of 100": returns(101, nil),
		"returned 102 frames for a block of 100": returns(102, io.EOF),
		"returned -1 frames for a block of 100":  returns(-1, nil),
		"no frames and no error 100 times":       returns(0, nil),
	} {
		n, err := ReadNext(r, b)
		wantError(t, says, err, says)
		if n != 0 {
			t.Errorf("%s: %d frames", says, n)
		}
	}
	if _, err := ReadNext(returns(0, nil), b); !errors.Is(err, io.ErrNoProgress) {
		t.Errorf("nothing for too long: %v", err)
	}
	for _, c := range []struct {
		n   int
		err error
	}{{0, io.EOF}, {100, io.EOF}, {7, io.ErrUnexpectedEOF}, {100, nil}} {
		if n, err := ReadNext(returns(c.n, c.err), b); n != c.n || err != c.err {
			t.Errorf("%d frames and %v; want %d and %v", n, err, c.n, c.err)
		}
	}
	empty := 0
	if n, err := ReadNext(reading(func(dsp.Block) (int, error) {
		if empty++; empty < 100 {
			return 0, nil
		}
		return 3, nil
	}), b); n != 3 || err != nil {
		t.Errorf("after 99 empty reads: %d frames, %v", n, err)
	}
}

func TestMemoryRefusesOtherShapes(t *testing.T) {
	ragged := dsp.Block{make([]float64, 10), make([]float64, 5)}
	for _, c := range []struct{ sound, into dsp.Block }{
		{ragged, dsp.NewBlock(2, 10)}, {dsp.Block{ragged[1], ragged[0]}, dsp.NewBlock(2, 10)},
		{dsp.NewBlock(1, 10), dsp.NewBlock(2, 10)}, {dsp.NewBlock(2, 10), dsp.NewBlock(1, 10)},
		{dsp.NewBlock(2, 10), dsp.NewBlock(3, 10)}, {dsp.NewBlock(2, 10), ragged},
	} {
		_, err := NewMemory(Unquantised(48000, 2), c.sound).Read(c.into)
		wantError(t, "Read", err, "accepted: ")
	}
	m := NewMemory(Unquantised(48000, 2), dsp.NewBlock(2, 10))
	if n, err := m.Read(dsp.NewBlock(2, 0)); n != 0 || err != nil {
		t.Errorf("an empty block read %d frames, %v: it is not the end of the sound", n, err)
	}
	wantError(t, "Write", m.Write(ragged), "accepted: equal lengths")
}

func TestStoredRefusesOtherShapes(t *testing.T) {
	s := NewStored(Unquantised(48000, 2))
	wantError(t, "ragged", s.Write(dsp.Block{make([]float64, 10), make([]float64, 5)}), "accepted: equal lengths")
	wantError(t, "Append", s.Append(2, nil), "found channel 2")
	_, err := s.Plane(-1)
	wantError(t, "Plane", err, "found channel -1")
	s.Close()
	_, err = s.Plane(0)
	wantError(t, "after Close", err, "none after Close")
	wantError(t, "after Close", s.Write(dsp.NewBlock(2, 1)), "accepted: 0")
}

func TestWritersRefuseUndefinedOptions(t *testing.T) {
	f := Format{Rate: 48000, Channels: 1, Bits: 16}
	path := filepath.Join(t.TempDir(), "out.wav")
	for says, o := range map[string]Options{"dither of kind 9": {Dither: 9}, "a chunk with the name": {Chunks: []Chunk{{ID: "x"}}}} {
		_, err := NewStreamWriter(io.Discard, f, o)
		wantError(t, "stream", err, says)
		_, err = Create(path, f, o)
		wantError(t, "file", err, says)
	}
	_, err := NewQuantiser(f, 9, 0)
	wantError(t, "quantiser", err, "dither of kind 9")
	w, err := Create(path, f, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Abort(); err != nil {
		t.Fatal(err)
	}
	wantError(t, "a block after Abort", w.Write(dsp.NewBlock(1, 10)), "already committed or abandoned")
	q, err := NewQuantiser(Format{Rate: 48000, Channels: 2, Bits: 16}, TPDF, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if p, _ := recover().(string); !strings.Contains(p, "found a block of 3 channels; accepted: 2") {
			t.Errorf("panic %q", p)
		}
	}()
	q.Round(dsp.NewBlock(3, 10))
}

// An encoder's sink takes empty blocks, and refuses a format that is changed later.
func TestEncoderSinkInOddStates(t *testing.T) {
	path := filepath.Join(t.TempDir(), "out.wav")
	file, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	e := wav.NewEncoder(file, 48000, 16, 2, 1)
	s, err := ToEncoder(e)
	if err != nil {
		t.Fatal(err)
	}
	for _, frames := range []int{0, 100, 0, 7} {
		if err := s.Write(dsp.NewBlock(2, frames)); err != nil {
			t.Errorf("%d frames: %v", frames, err)
		}
	}
	e.BitDepth = 24
	wantError(t, "24 bits", s.Write(dsp.NewBlock(2, 10)), "its format was changed")
	e.BitDepth = 16
	if err := errors.Join(e.Close(), file.Close()); err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	r, err := NewReader(bytes.NewReader(data), int64(len(data)), path)
	if err != nil || r.Frames() != 107 {
		t.Errorf("%d frames, %v; want 107", r.Frames(), err)
	}
	if r.Format().Bits != 16 {
		t.Error(r.Format())
	}
}
