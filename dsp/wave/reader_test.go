package wave

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
)

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

// A sparse RF64 file of 5 GiB: nothing in the reader may be 32 bits wide.
func TestReadsBeyond4GiB(t *testing.T) {
	path := filepath.Join(t.TempDir(), "long.wav")
	const frames = 5 << 29 // 2 bytes each
	f := riffFile("RF64").chunk("ds64", 28, append(sizes64(frames*2+100, frames*2, frames), 0, 0, 0, 0)...)
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

// A stream's size in a plain RIFF longer than 4 GiB: the whole file is sound.
func TestUnfinishedBeyond4GiB(t *testing.T) {
	path := filepath.Join(t.TempDir(), "stream.wav")
	f := riffFile("RIFF")
	fmtOf(1, 1, 48000, 2, 16)(f)
	f.chunk("data", 0xFFFFFFFF)
	head := int64(f.Len())
	if err := os.WriteFile(path, f.Bytes(), 0o666); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(path, head+5<<30); err != nil {
		t.Skip("no room for a sparse file:", err)
	}
	r, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	const want = int64(5 << 29)
	if r.Frames() != want || len(r.Warnings()) != 1 {
		t.Errorf("%d frames, want %d; warnings %v", r.Frames(), want, r.Warnings())
	}
}

func TestNoticesAFileThatChanges(t *testing.T) {
	path := filepath.Join(t.TempDir(), "take.wav")
	f := riffFile("RIFF")
	fmtOf(1, 1, 48000, 2, 16)(f)
	f.chunk("data", 0)
	f.Write(make([]byte, 200_000))
	open := func() *Reader {
		if err := os.WriteFile(path, f.Bytes(), 0o666); err != nil {
			t.Fatal(err)
		}
		r, err := Open(path)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { r.Close() })
		return r
	}

	r := open()
	more, err := os.OpenFile(path, os.O_WRONLY|os.O_APPEND, 0)
	if err != nil {
		t.Fatal(err)
	}
	more.Write(make([]byte, 1000))
	more.Close()
	samples(t, r)
	r.Read(dsp.NewBlock(1, 1)) // warns once
	w := r.Warnings()
	if len(w) != 2 || !strings.Contains(w[1].String(), "grown by 1000 bytes") {
		t.Errorf("a growing file: %v", w)
	}

	r = open()
	if err := os.Truncate(path, 150_000); err != nil {
		t.Fatal(err)
	}
	b := dsp.NewBlock(1, 100_000)
	n, err := r.Read(b)
	if !errors.Is(err, io.ErrUnexpectedEOF) || !strings.Contains(err.Error(), "at byte 150000") || n == 0 {
		t.Errorf("a file cut short: %d frames, %v", n, err)
	}
}

// Opening a pipe would wait for a writer for ever.
func TestOpenDoesNotWaitForAPipe(t *testing.T) {
	path := filepath.Join(t.TempDir(), "pipe.wav")
	if err := exec.Command("mkfifo", path).Run(); err != nil {
		t.Skip("no mkfifo:", err)
	}
	if _, err := Open(path); err == nil || !strings.Contains(err.Error(), "pipe") {
		t.Errorf("a pipe gives %v", err)
	}
}

func TestReadRefusesOtherShapes(t *testing.T) {
	f := riffFile("RIFF")
	fmtOf(1, 2, 8000, 4, 16)(f)
	raw := f.chunk("data", 4, 0, 0x40, 0, 0xc0).Bytes()
	r, err := NewReader(bytes.NewReader(raw), int64(len(raw)), "made.wav")
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range []dsp.Block{nil, dsp.NewBlock(1, 4), dsp.NewBlock(3, 4), {make([]float64, 4), make([]float64, 3)}} {
		if n, err := r.Read(b); n != 0 || err == nil || !strings.Contains(err.Error(), "made.wav") {
			t.Errorf("%d planes: %d frames, %v", len(b), n, err)
		}
	}
}

// counting counts the reads of a file.
type counting struct {
	io.ReaderAt
	reads int
}

func (c *counting) ReadAt(b []byte, offset int64) (int, error) {
	c.reads++
	return c.ReaderAt.ReadAt(b, offset)
}

// The cost of a header, in reads and memory, is bounded, whatever the file states.
func TestCostOfAHeaderIsBounded(t *testing.T) {
	tiny := bytes.Repeat([]byte("abcd\x00\x00\x00\x00"), 500_000)
	data := bytes.Repeat([]byte("data\x00\x00\x00\x00"), 500_000)
	whole := func(before, after []byte) []byte {
		f := riffFile("RIFF")
		f.Write(before)
		fmtOf(1, 1, 8000, 2, 16)(f)
		f.chunk("data", 2, 0, 0x40)
		f.Write(after)
		return f.Bytes()
	}
	for name, c := range map[string]struct {
		raw  []byte
		want string // in the error, "": a warning
	}{
		"500 000 empty chunks before":   {whole(tiny, nil), "more than 4096 chunks ahead of the sound"},
		"500 000 empty chunks behind":   {whole(nil, tiny), ""},
		"500 000 data chunks":           {whole(nil, data), ""},
		"fmt of 4 GiB":                  {riffFile("RIFF").chunk("fmt ", 0xFFFFFFFE, 1, 0, 1, 0).Bytes(), "4 bytes"},
		"LIST of 4 GiB":                 {whole(nil, []byte("LIST\xfe\xff\xff\xffINFO")), ""},
		"LIST of 4 GiB before":          {riffFile("RIFF").chunk("LIST", 0xFFFFFFFE, 1).Bytes(), "no fmt chunk"},
		"ds64 with a table of 4 G rows": {riffFile("RF64").chunk("ds64", 28, append(sizes64(1, 1, 1), 0xff, 0xff, 0xff, 0xff)...).Bytes(), "no fmt chunk"},
	} {
		t.Run(name, func(t *testing.T) {
			source := &counting{ReaderAt: bytes.NewReader(c.raw)}
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			r, err := NewReader(source, int64(len(c.raw)), "made.wav")
			runtime.ReadMemStats(&after)
			if (err != nil) != (c.want != "") || err != nil && !strings.Contains(err.Error(), c.want) {
				t.Fatalf("error %v, want %q", err, c.want)
			}
			// 4096 chunks at 100 to 200 bytes each, and the sample buffer.
			if spent := after.TotalAlloc - before.TotalAlloc; spent > 2<<20 {
				t.Errorf("%d bytes allocated", spent)
			}
			if source.reads > 4*maxChunks {
				t.Errorf("%d reads", source.reads)
			}
			if err == nil && (len(r.Warnings()) == 0 || len(r.Warnings()) > maxWarnings+1) {
				t.Errorf("%d warnings", len(r.Warnings()))
			}
		})
	}
}

// Carried chunks may take 16 MiB in all.
func TestCarriedChunksAreBounded(t *testing.T) {
	f := riffFile("RIFF")
	big := make([]byte, 9<<20)
	f.chunk("one ", uint32(len(big)), big...).chunk("two ", uint32(len(big)), big...).chunk("bext", 2, 1, 2)
	fmtOf(1, 1, 8000, 2, 16)(f)
	raw := f.chunk("data", 2, 0, 0x40).Bytes()
	r, err := NewReader(bytes.NewReader(raw), int64(len(raw)), "made.wav")
	if err != nil {
		t.Fatal(err)
	}
	var ids []string
	for _, c := range r.Chunks() {
		ids = append(ids, c.ID)
	}
	if fmt.Sprint(ids) != "[one  bext]" || len(r.Warnings()) != 1 || !strings.Contains(r.Warnings()[0].String(), "more than 16 MiB") {
		t.Errorf("chunks %q, warnings %v", ids, r.Warnings())
	}
}
