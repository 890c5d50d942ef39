// Command generate makes the demo take and the demo conversation from the readings in
// testdata/source:
//
//	go run ./testdata/generate            writes testdata/harbour-street.wav and testdata/conversation
//	go run ./testdata/generate -check     compares the committed files with what it makes
//
// The speech is real; the room is invented for the scenario "Harbour Street
// Stories": a second of room tone, a first reading, a pause in which the
// narrator moves closer to the microphone, a second reading 7 dB louder. The
// readings are 16 kHz recordings, resampled to 48 kHz by the windowed-sinc
// interpolator of package dsp, so they have no sound above 8 kHz. The noise of
// the room has sound above that, and its mains hum lies below the speech.
package main

import (
	"bytes"
	"flag"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
)

const (
	take = "testdata/harbour-street.wav"
	rate = 48000
)

func main() {
	check := flag.Bool("check", false, "compare with the committed file instead of writing it")
	flag.Parse()
	if err := generate(*check); err != nil {
		fmt.Fprintln(os.Stderr, "generate:", err)
		os.Exit(1)
	}
}

func generate(check bool) error {
	sound, err := compose()
	if err != nil {
		return err
	}
	host, guest, err := converse()
	if err != nil {
		return err
	}
	for _, made := range []struct {
		path       string
		rate, bits int
		sound      []float64
	}{{take, rate, 24, sound}, {hostTake, conversationRate, 16, host}, {guestTake, conversationRate, 16, guest}} {
		if err := save(made.path, wave.Format{Rate: made.rate, Channels: 1, Encoding: wave.Integer, Bits: made.bits}, made.sound, check); err != nil {
			return err
		}
	}
	return nil
}

// save writes a file, or compares the committed one with what it would write.
func save(committedPath string, f wave.Format, sound []float64, check bool) error {
	path := committedPath
	if check {
		folder, err := os.MkdirTemp("", "take")
		if err != nil {
			return err
		}
		defer os.RemoveAll(folder)
		path = filepath.Join(folder, "take.wav")
	}
	w, err := wave.Create(path, f, wave.Options{Replace: true, Dither: wave.TPDF, Seed: 7})
	if err != nil {
		return err
	}
	defer w.Abort()
	if err := w.Write(dsp.Block{sound}); err != nil {
		return err
	}
	if err := w.Commit(); err != nil {
		return err
	}
	if !check {
		return nil
	}
	made, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	committed, err := os.ReadFile(committedPath)
	if err != nil {
		return err
	}
	if !bytes.Equal(made, committed) {
		return fmt.Errorf("%s is not what this program makes; run go run ./testdata/generate", committedPath)
	}
	return nil
}

// compose returns the take's samples.
func compose() ([]float64, error) {
	sound := make([]float64, 0, 14*rate)
	for _, part := range []struct {
		pauseS float64 // room tone before the reading
		file   string
		gainDB float64
	}{
		{1.0, "testdata/source/reading-1.wav", -3},
		{1.4, "testdata/source/reading-2.wav", 4},
		{0.8, "", 0},
	} {
		sound = append(sound, make([]float64, int(part.pauseS*rate))...)
		if part.file == "" {
			break
		}
		reading, err := load(part.file)
		if err != nil {
			return nil, err
		}
		gain := dsp.DBToAmplitude(part.gainDB)
		for _, x := range faded(upsampled(reading)) {
			sound = append(sound, x*gain)
		}
	}
	for n, x := range room(len(sound)) {
		sound[n] += x
	}
	return sound, nil
}

// load reads a whole mono file of 16 kHz.
func load(path string) ([]float64, error) {
	r, err := wave.Open(path)
	if err != nil {
		return nil, err
	}
	defer r.Close()
	if f := r.Format(); f.Rate*3 != rate || f.Channels != 1 {
		return nil, fmt.Errorf("%s: %v; accepted: 1 channel at %d Hz", path, f, rate/3)
	}
	block := dsp.NewBlock(1, int(r.Frames()))
	n, err := r.Read(block)
	if err != nil && err != io.EOF {
		return nil, err
	}
	return block[0][:n], nil
}

// upsampled returns x at three times the rate.
func upsampled(x []float64) []float64 {
	sinc := dsp.WindowedSinc(3, 64, 8)
	y := make([]float64, 0, 3*len(x))
	padded := make([]float64, len(x)+2*sinc.Half())
	copy(padded[sinc.Half()-1:], x)
	for n, sample := range x {
		window := padded[n : n+2*sinc.Half()]
		y = append(y, sample, sinc.Read(0, window), sinc.Read(1, window))
	}
	return y
}

// faded fades a reading in and out over 30 ms.
func faded(x []float64) []float64 {
	const length = 30 * rate / 1000
	for n := range length {
		f := float64(n) / length
		x[n] *= f
		x[len(x)-1-n] *= f
	}
	return x
}

// room returns room tone: noise at about −58 dBFS RMS that falls by 6 dB an
// octave above 300 Hz, with 50 Hz hum and its odd harmonics around −66 dBFS.
func room(frames int) []float64 {
	rng := rand.New(rand.NewPCG(2026, 11))
	tone := make([]float64, frames)
	for n := range tone {
		// The sum of four uniform numbers is near enough to Gaussian here.
		for range 4 {
			tone[n] += rng.Float64() - 0.5
		}
	}
	// One pole at 300 Hz; the noise's RMS before it is sqrt(4/12), and it
	// keeps a part k/(2−k) of the power.
	k := 1 - dsp.Exp2(-2*math.Pi*300/rate*math.Log2E)
	level := dsp.DBToAmplitude(-58) / math.Sqrt(4.0/12*k/(2-k))
	s := 0.0
	for n, x := range tone {
		s += float64(k * (x - s))
		tone[n] = level * s
	}
	for _, line := range []struct{ hz, peakDBFS float64 }{{50, -63}, {150, -69}, {250, -75}} {
		addTone(tone, line.hz, dsp.DBToAmplitude(line.peakDBFS))
	}
	return tone
}

// addTone adds a sine.
func addTone(sound []float64, hz, peak float64) {
	for n := range sound {
		sin, _ := dsp.SincosPi(2 * hz * float64(n) / rate)
		sound[n] += float64(peak * sin)
	}
}
