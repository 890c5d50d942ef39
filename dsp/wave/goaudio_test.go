package wave

import (
	"bytes"
	"encoding/binary"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/go-audio/wav"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
)

// Sound through go-audio's encoder and decoder equals sound through our own, also with an odd
// number of bytes.
func TestGoAudioRoundTrip(t *testing.T) {
	for _, bits := range []int{8, 16, 24, 32} {
		for channels := 1; channels <= 3; channels++ {
			for _, frames := range []int{1, 4097} {
				sound := dsptest.Speechlike(48000, channels, frames, uint64(bits))
				sound[0][frames-1] = 1.5 // clamped, not wrapped
				folder := t.TempDir()
				f := Format{Rate: 48000, Channels: channels, Encoding: Integer, Bits: bits}
				write(t, filepath.Join(folder, "own.wav"), f, Options{}, sound)
				_, want := readAll(t, filepath.Join(folder, "own.wav"))
				path := filepath.Join(folder, "theirs.wav")
				file, err := os.Create(path)
				if err != nil {
					t.Fatal(err)
				}
				encoder := wav.NewEncoder(file, 48000, bits, channels, 1)
				sink, err := ToEncoder(encoder)
				if err != nil {
					t.Fatal(err)
				}
				before := sound[0][0]
				for from := 0; from < frames; from += 1000 {
					part := make(dsp.Block, channels)
					for c := range part {
						part[c] = sound[c][from:min(frames, from+1000)]
					}
					if err := sink.Write(part); err != nil {
						t.Fatal(err)
					}
				}
				if sound[0][0] != before {
					t.Error("the sink changes the caller's sound")
				}
				if err := encoder.Close(); err != nil {
					t.Fatal(err)
				}
				file.Close()
				if _, got := readAll(t, path); !sameSound(got, want) {
					t.Errorf("%d bits, %d channels, %d frames: the encoder's file holds another sound", bits, channels, frames)
				}
				for _, name := range []string{"own.wav", "theirs.wav"} {
					in, err := os.Open(filepath.Join(folder, name))
					if err != nil {
						t.Fatal(err)
					}
					defer in.Close()
					src, err := FromDecoder(wav.NewDecoder(in))
					if bits == 32 && channels == 3 && name == "own.wav" { // EXTENSIBLE
						if err == nil {
							t.Error("a coding that the decoder does not show is taken")
						}
						continue
					}
					if err != nil {
						t.Errorf("%s, %d bits, %d channels: %v", name, bits, channels, err)
						continue
					}
					if got, err := soundOf(src); err != nil || !sameSound(got, want) || src.Format().Bits != bits || len(src.Warnings()) > 0 {
						t.Errorf("%s, %d bits, %d channels, %d frames: %v, or another sound through the decoder", name, bits, channels, frames, err)
					}
				}
			}
		}
	}
}

// riffOf is a WAV with the header that a test asks for.
func riffOf(tag, bits uint16, size uint32, data []byte) []byte {
	le := binary.LittleEndian
	b := []byte("RIFF\x00\x00\x00\x00WAVEfmt \x10\x00\x00\x00")
	b = le.AppendUint16(b, tag)
	b = le.AppendUint16(b, 1)
	b = le.AppendUint32(b, 8000)
	b = le.AppendUint32(b, 8000*uint32(bits/8))
	b = le.AppendUint16(b, bits/8)
	b = le.AppendUint16(b, bits)
	b = append(b, "data"...)
	b = le.AppendUint32(b, size)
	b = append(b, data...)
	le.PutUint32(b[4:], uint32(len(b)-8))
	return b
}

// Where go-audio's decoder would misread a file silently, the sound is right, or refused with
// the reason.
func TestFromDecoderRefusesWhatTheDecoderMisreads(t *testing.T) {
	dsptest.Exhaustive(t)
	half := binary.LittleEndian.AppendUint32(nil, math.Float32bits(0.5))
	src, err := FromDecoder(wav.NewDecoder(bytes.NewReader(riffOf(3, 32, 4, half))))
	if err != nil {
		t.Fatal(err)
	}
	if got, err := soundOf(src); err != nil || got.Frames() != 1 || got[0][0] != 0.5 {
		t.Errorf("0.5 in floating point: %v, %v", got, err)
	}
	src, err = FromDecoder(wav.NewDecoder(bytes.NewReader(riffOf(1, 16, 1000, make([]byte, 600)))))
	if err != nil {
		t.Fatal(err)
	}
	if got, err := soundOf(src); err != nil || got.Frames() != 300 || len(src.Warnings()) != 1 || !strings.Contains(src.Warnings()[0].String(), "0.025 s missing") {
		t.Errorf("truncated: %d frames, %v, %v", got.Frames(), src.Warnings(), err)
	}
	src, err = FromDecoder(wav.NewDecoder(bytes.NewReader(riffOf(1, 16, 0xFFFFFFFF, make([]byte, 600)))))
	if err != nil {
		t.Fatal(err)
	}
	if got, err := soundOf(src); err != nil || got.Frames() != 300 {
		t.Errorf("of no stated length: %d frames, %v", got.Frames(), err)
	}
	used := wav.NewDecoder(bytes.NewReader(riffOf(1, 16, 4, make([]byte, 4))))
	if _, err := used.FullPCMBuffer(); err != nil {
		t.Fatal(err)
	}
	for want, d := range map[string]*wav.Decoder{
		"read from already": used, "nil": nil,
		"A-law":        wav.NewDecoder(bytes.NewReader(riffOf(6, 8, 4, make([]byte, 4)))),
		"12-bit":       wav.NewDecoder(bytes.NewReader(riffOf(1, 12, 4, make([]byte, 4)))),
		"not finished": wav.NewDecoder(bytes.NewReader(riffOf(1, 16, 0, make([]byte, 400)))),
		"decoder":      wav.NewDecoder(bytes.NewReader([]byte("no sound here, only words"))),
	} {
		if _, err := FromDecoder(d); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v; want %q in it", err, want)
		}
	}
	for want, e := range map[string]*wav.Encoder{
		"nil": nil, "format tag 3": wav.NewEncoder(nil, 8000, 32, 1, 3), "20-bit": wav.NewEncoder(nil, 8000, 20, 1, 1), "99 channels": wav.NewEncoder(nil, 8000, 16, 99, 1),
	} {
		if _, err := ToEncoder(e); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("encoder: %v; want %q in it", err, want)
		}
	}
}
