package wave

import (
	"bytes"
	"errors"
	"io"
	"math"
	"runtime"
	"testing"

	"github.com/boothbench/boothbench/dsp"
)

func FuzzReader(f *testing.F) {
	good := riffFile("RIFF").chunk("bext", 3, 1, 2, 3, 0)
	fmtOf(0xFFFE, 2, 48000, 8, 32, extension(24, 3, 1)...)(good)
	good.chunk("data", 8, 0, 0, 0, 0x40, 0, 0, 0, 0x80).chunk("LIST", 4, 'I', 'N', 'F', 'O')
	f.Add(good.Bytes())
	long := riffFile("RF64").chunk("ds64", 28, append(sizes64(100, 4, 2), 0, 0, 0, 0)...)
	fmtOf(1, 1, 8000, 2, 16)(long)
	f.Add(long.chunk("data", 0xFFFFFFFF, 0, 0x40, 0, 0xc0).Bytes())
	for _, size := range []uint32{0, 3, 0x10000000, 0xFFFFFFFF} {
		odd := riffFile("RIFF")
		fmtOf(3, 1, 8000, 4, 32)(odd)
		f.Add(odd.chunk("data", size, 0, 0, 0, 0x3f, 'd', 'a', 't', 'a', 0, 0, 0, 0).Bytes())
		f.Add(riffFile("BW64").chunk("fmt ", size, 1, 0).Bytes())
		f.Add(riffFile("RIFF").chunk("LIST", size, 'I').Bytes())
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		if bytes.HasPrefix(raw, []byte(flacSignature)) {
			return // FuzzFLAC's
		}
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		r, err := NewReader(bytes.NewReader(raw), int64(len(raw)), "fuzz.wav")
		runtime.ReadMemStats(&after)
		// 100 to 200 bytes for each chunk of 8 bytes or more, a copy of those that
		// are carried, and the sample buffer.
		if spent := after.TotalAlloc - before.TotalAlloc; spent > 1<<18+40*uint64(len(raw)) {
			t.Fatalf("%d bytes allocated for a file of %d", spent, len(raw))
		}
		if err != nil {
			var format *FormatError
			if !errors.As(err, &format) {
				t.Fatalf("not a FormatError: %v", err)
			}
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

// FLAC of any content is read as whole frames or refused in words; what is read twice,
// from its beginning and by going back, is the same.
func FuzzFLAC(f *testing.F) {
	f.Add([]byte(flacSignature + "\x80\x00\x00\x22"))
	f.Fuzz(func(t *testing.T, raw []byte) {
		if len(raw) < 4 || string(raw[:4]) != flacSignature {
			raw = append([]byte(flacSignature), raw...)
		}
		refused := func(err error) {
			var format *FormatError
			if !errors.As(err, &format) {
				t.Fatalf("not a FormatError: %v", err)
			}
		}
		r, err := NewReader(bytes.NewReader(raw), int64(len(raw)), "fuzz.flac")
		if err != nil {
			refused(err)
			return
		}
		first, err := soundOf(r)
		if err != nil {
			refused(err)
			return
		}
		if int64(first.Frames()) != r.Frames() {
			t.Fatalf("%d frames of %d", first.Frames(), r.Frames())
		}
		if err := r.SeekFrame(0); err != nil {
			t.Fatal(err)
		}
		if again, err := soundOf(r); err != nil || !sameSound(first, again) {
			t.Fatalf("the second time: %v, or another sound", err)
		}
	})
}

// A stream of any content gives what the same bytes give as a file, or is refused in
// words.
func FuzzStream(f *testing.F) {
	good := riffFile("RIFF").chunk("bext", 3, 1, 2, 3, 0)
	fmtOf(1, 2, 48000, 4, 16)(good)
	f.Add(good.chunk("data", 8, 0, 0, 0, 0x40, 0, 0, 0, 0x80).Bytes())
	open := riffFile("RF64").chunk("ds64", 28, append(sizes64(100, 4, 2), 0, 0, 0, 0)...)
	fmtOf(1, 1, 8000, 2, 16)(open)
	f.Add(open.chunk("data", 0xFFFFFFFF, 0, 0x40, 0, 0xc0).Bytes())
	f.Fuzz(func(t *testing.T, raw []byte) {
		file, err := NewReader(bytes.NewReader(raw), int64(len(raw)), "file")
		stream, streamErr := NewStream(bytes.NewReader(raw), "stream")
		if streamErr != nil {
			var format *FormatError
			if !errors.As(streamErr, &format) {
				t.Fatalf("not a FormatError: %v", streamErr)
			}
			if err == nil {
				t.Fatalf("as a stream: %v; as a file it is read", streamErr)
			}
			return
		}
		got, gotErr := soundOf(stream)
		if err != nil {
			return // behind the sound
		}
		want, wantErr := soundOf(file)
		if (gotErr == nil) != (wantErr == nil) || gotErr == nil && stream.Format() != file.Format() {
			t.Fatalf("as a stream: %v, %v; as a file: %v, %v", stream.Format(), gotErr, file.Format(), wantErr)
		}
		if n := min(got.Frames(), want.Frames()); gotErr == nil && got.Frames() < want.Frames() || !sameBits(got, want, n) {
			t.Fatalf("as a stream %d frames, as a file %d, or another sound", got.Frames(), want.Frames())
		}
	})
}

func sameBits(a, b dsp.Block, frames int) bool {
	for c := range a {
		for n := range frames {
			if math.Float64bits(a[c][n]) != math.Float64bits(b[c][n]) {
				return false
			}
		}
	}
	return true
}
