package wave

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/go-audio/audio"
	"github.com/go-audio/wav"

	"github.com/boothbench/boothbench/dsp/dsptest"
)

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
