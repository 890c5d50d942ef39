package wave

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
)

// flacOf encodes a WAV with the reference encoder.
func flacOf(t testing.TB, wav string, options ...string) string {
	t.Helper()
	program, err := exec.LookPath("flac")
	if err != nil {
		if os.Getenv("BOOTHBENCH_REFERENCES") == "required" {
			t.Fatal(err)
		}
		t.Skip("no flac:", err)
	}
	out := strings.TrimSuffix(wav, ".wav") + fmt.Sprint(len(options)) + ".flac"
	args := append([]string{"-s", "-f", "--channel-map=none", "-o", out}, options...)
	if said, err := exec.Command(program, append(args, wav)...).CombinedOutput(); err != nil {
		t.Fatalf("flac %v: %v: %s", args, err, said)
	}
	return out
}

// decodedByReference is a FLAC file's sound as the reference decoder gives it.
func decodedByReference(t *testing.T, path string) dsp.Block {
	t.Helper()
	out := path + ".wav"
	if said, err := exec.Command("flac", "-s", "-f", "-d", "-o", out, path).CombinedOutput(); err != nil {
		t.Fatalf("flac -d: %v: %s", err, said)
	}
	_, b, _ := readFile(t, out)
	return b
}

// readFile reads a file.
func readFile(t *testing.T, path string) (Format, dsp.Block, []Warning) {
	t.Helper()
	r, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	sound, err := soundOf(r)
	if err != nil {
		t.Fatal(err)
	}
	return r.Format(), sound, r.Warnings()
}

// soundOf is all of a source's sound.
func soundOf(src Source) (dsp.Block, error) {
	m := NewMemory(src.Format(), make(dsp.Block, src.Format().Channels))
	b := dsp.NewBlock(src.Format().Channels, 1000)
	for {
		n, err := src.Read(b)
		part := make(dsp.Block, len(b))
		for c := range b {
			part[c] = b[c][:n]
		}
		if n > 0 {
			m.Write(part)
		}
		if err == io.EOF {
			return m.Planes(), nil
		} else if err != nil {
			return m.Planes(), err
		}
	}
}

func sameSound(a, b dsp.Block) bool {
	if len(a) != len(b) || a.Frames() != b.Frames() {
		return false
	}
	for c := range a {
		for n := range a[c] {
			if a[c][n] != b[c][n] {
				return false
			}
		}
	}
	return true
}

// Whatever the encoder did, every sample is that of the reference decoder.
func TestFLACAgainstTheReference(t *testing.T) {
	folder := t.TempDir()
	random := rand.New(rand.NewPCG(7, 7))
	cases := []struct{ channels, bits, rate, frames int }{{1, 16, 44100, 30000}, {2, 24, 48000, 30001}, {2, 16, 48000, 1}, {6, 24, 96000, 9000}, {1, 20, 48000, 9000}, {1, 8, 8000, 5000}}
	options := [][]string{{"-0"}, {"-5"}, {"-8", "-b", "1152"}, {"--lax", "-b", "37"}, {"-8", "-p"}, {"--no-mid-side", "-l", "0"}}
	if !dsptest.IsExhaustive() {
		options = options[1:3]
	}
	for i, c := range cases {
		sound := dsptest.Speechlike(c.rate, c.channels, c.frames, uint64(i))
		for ch := range sound {
			for n := range sound[ch] {
				switch {
				case n%7000 > 6800: // dense noise up to full scale, both signs
					sound[ch][n] = 2*random.Float64() - 1
				case n%7000 > 6500:
					sound[ch][n] = 0
				case n%2000 == 1000:
					sound[ch][n] = -1
				}
			}
		}
		wav := filepath.Join(folder, fmt.Sprintf("%d.wav", i))
		bits := c.bits
		if bits == 8 {
			bits = 16 // the writer's least; -8 dB of it are not used
		}
		write(t, wav, Format{Rate: c.rate, Channels: c.channels, Encoding: Integer, Bits: bits}, Options{}, sound)
		for _, o := range options {
			path := flacOf(t, wav, o...)
			want := decodedByReference(t, path)
			format, got, warnings := readFile(t, path)
			if format.Rate != c.rate || format.Channels != c.channels || format.Bits != bits || !sameSound(got, want) {
				t.Errorf("%+v by %v: %v with %d frames (%v), another sound than the reference's %d", c, o, format, got.Frames(), warnings, want.Frames())
			}
			file, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			stream, err := NewStream(bytes.NewReader(file), "stream")
			if err != nil {
				t.Fatal(err)
			}
			if got, err := soundOf(stream); err != nil || !sameSound(got, want) {
				t.Errorf("%+v by %v as a stream: %v, or another sound", c, o, err)
			}
		}
	}
}

// What the library cannot decode is refused at once.
func TestFLACOf32Bits(t *testing.T) {
	wav := filepath.Join(t.TempDir(), "a.wav")
	write(t, wav, Format{Rate: 8000, Channels: 1, Encoding: Integer, Bits: 32}, Options{}, dsp.NewBlock(1, 100))
	_, err := Open(flacOf(t, wav))
	if refused := (*FormatError)(nil); !errors.As(err, &refused) || !strings.Contains(err.Error(), "32-bit samples; accepted: 8 to 24 bits") {
		t.Errorf("32 bits: %v", err)
	}
}

// Reading begins at any frame, whichever was read before.
func TestFLACSeeks(t *testing.T) {
	wav := filepath.Join(t.TempDir(), "a.wav")
	write(t, wav, Format{Rate: 8000, Channels: 2, Encoding: Integer, Bits: 16}, Options{}, dsptest.Speechlike(8000, 2, 60000, 3))
	path := flacOf(t, wav)
	_, want, _ := readFile(t, wav)
	r, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	random := rand.New(rand.NewPCG(1, 2))
	b := dsp.NewBlock(2, 500)
	for range 200 {
		at := random.IntN(60001)
		if err := r.SeekFrame(int64(at)); err != nil {
			t.Fatal(err)
		}
		n, err := r.Read(b)
		if left := min(500, 60000-at); n != left || left == 0 && err != io.EOF || left > 0 && err != nil {
			t.Fatalf("at %d: %d frames, %v", at, n, err)
		}
		for c := range b {
			for i := range n {
				if b[c][i] != want[c][at+i] {
					t.Fatalf("frame %d, channel %d: %g, want %g", at+i, c, b[c][i], want[c][at+i])
				}
			}
		}
	}
	if err := r.SeekFrame(60001); !errors.Is(err, ErrNoFrame) {
		t.Errorf("past the end: %v", err)
	}
}

// A file that is damaged anywhere is refused in words, at the latest at its end; it is
// never read as another sound.
func TestFLACDamaged(t *testing.T) {
	wav := filepath.Join(t.TempDir(), "a.wav")
	write(t, wav, Format{Rate: 8000, Channels: 1, Encoding: Integer, Bits: 16}, Options{}, dsptest.Speechlike(8000, 1, 6000, 3))
	file, err := os.ReadFile(flacOf(t, wav, "--no-padding", "--no-seektable"))
	if err != nil {
		t.Fatal(err)
	}
	_, want, _ := readFile(t, wav)
	random := rand.New(rand.NewPCG(5, 5))
	read := func(b []byte) (dsp.Block, error) {
		r, err := NewReader(bytes.NewReader(b), int64(len(b)), "damaged.flac")
		if err != nil {
			return nil, err
		}
		return soundOf(r)
	}
	trials := 300
	if dsptest.IsExhaustive() {
		trials = 20000
	}
	unharmed := 0
	for range trials {
		b := bytes.Clone(file)
		if random.IntN(4) == 0 {
			b = b[:random.IntN(len(b))]
		} else {
			for range 1 + random.IntN(3) {
				b[random.IntN(len(b))] ^= 1 << random.IntN(8)
			}
		}
		got, err := read(b)
		var refused *FormatError
		switch {
		case err == nil && sameSound(got, want):
			unharmed++ // the fault hit a comment
		case err == nil:
			t.Fatalf("another sound is read without an error")
		case len(b) > 4 && string(b[:4]) == flacSignature && (!errors.As(err, &refused) || !strings.HasPrefix(err.Error(), "damaged.flac: at byte ")):
			t.Fatalf("the error is %v, want a *FormatError with a place", err)
		}
	}
	t.Logf("%d of %d damaged files were read, as the sound that was encoded", unharmed, trials)
}

// The MD5 of the sound is compared with what is decoded; a file that states none is read
// without it.
func TestFLACMD5(t *testing.T) {
	wav := filepath.Join(t.TempDir(), "a.wav")
	write(t, wav, Format{Rate: 8000, Channels: 2, Encoding: Integer, Bits: 24}, Options{}, dsptest.Speechlike(8000, 2, 3000, 3))
	file, err := os.ReadFile(flacOf(t, wav))
	if err != nil {
		t.Fatal(err)
	}
	const at = 4 + 4 + 18 // signature, block header, then RFC 9639, section 8.2
	for _, c := range []struct {
		change func([]byte)
		want   string
	}{
		{func([]byte) {}, ""},
		{func(b []byte) { b[at+7] ^= 1 }, "sound whose MD5 is not the one that the file states"},
		{func(b []byte) { clear(b[at : at+16]) }, ""},
	} {
		b := bytes.Clone(file)
		c.change(b)
		r, err := NewReader(bytes.NewReader(b), int64(len(b)), "a.flac")
		if err != nil {
			t.Fatal(err)
		}
		if _, err := soundOf(r); (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) {
			t.Errorf("%v, want %q", err, c.want)
		}
	}
}

// Comments and pictures are reported; what an encoder adds by itself is not.
func TestFLACMetadataIsNamed(t *testing.T) {
	wav := filepath.Join(t.TempDir(), "a.wav")
	write(t, wav, Format{Rate: 8000, Channels: 1, Encoding: Integer, Bits: 16}, Options{}, dsp.NewBlock(1, 100))
	if _, _, warnings := readFile(t, flacOf(t, wav, "-T", "TITLE=Harbour Street Stories")); len(warnings) != 1 || !strings.Contains(warnings[0].String(), "comments; not carried over") {
		t.Errorf("with a title: %v", warnings)
	}
}
