package stimulus

import (
	"fmt"

	"github.com/boothbench/boothbench/dsp"
)

// Tone is a steady sine with a fade at each end.
type Tone struct {
	Hz       float64
	PeakDBFS float64 // of a sine, which is also its AES17 level in dBFS
	Seconds  float64 // fades included
	Channels int     // 0 means one
	Only     int     // the only channel, from 1, with the tone; 0: all have it
}

// FadeMs is the length of a fade of tones and noises in ms: half a period of a cosine. (common
// practice, no source)
const FadeMs = 10

// DefaultPeakDBFS is the peak level of a stimulus when none is given.
const DefaultPeakDBFS = -20

// StandardHz is the standard frequency of AES17-2015. It is prime, so that the tone reaches
// nearly all codes of a converter: neither 48000 Hz nor 44100 Hz is a multiple.
const StandardHz = 997

// StandardTone is a tone of the standard frequency, long enough to measure its distortion.
func StandardTone(peakDBFS float64) Tone {
	return Tone{Hz: StandardHz, PeakDBFS: peakDBFS, Seconds: 5}
}

// LineUpR68 is the line-up tone of EBU R 68-2000: 1 kHz, 18 dB below full scale.
func LineUpR68() Tone { return Tone{Hz: 1000, PeakDBFS: -18, Seconds: 10} }

// LineUpRP155 is the line-up tone of SMPTE RP 155: 1 kHz, 20 dB below full
// scale. (from memory)
func LineUpRP155() Tone { return Tone{Hz: 1000, PeakDBFS: -20, Seconds: 10} }

// Kind is "tone".
func (t Tone) Kind() string { return "tone" }

// Make returns the tone at a rate in Hz.
func (t Tone) Make(rate int) (dsp.Block, error) {
	if err := t.check(rate); err != nil {
		return nil, err
	}
	return spread(t.plane(rate), t.Channels, t.Only), nil
}

// plane is the channel that has the tone.
func (t Tone) plane(rate int) []float64 {
	plane := make([]float64, frames(t.Seconds, rate))
	addSine(plane, t.Hz, dsp.DBToAmplitude(t.PeakDBFS), rate)
	fade(plane, rate)
	return plane
}

func (t Tone) check(rate int) error {
	if t.Only < 0 || t.Only > max(1, t.Channels) {
		return &dsp.SettingError{Setting: "only", Found: fmt.Sprint(t.Only), Accepted: fmt.Sprintf("0 to %d", max(1, t.Channels))}
	}
	return firstError(checkFormat(rate, t.Channels), checkHz("hz", t.Hz, rate), checkPeak("peak_dbfs", t.PeakDBFS), checkSeconds("seconds", t.Seconds))
}

// addSine adds a sine that begins at phase 0. Its phase is reduced exactly, so that it does not
// drift however long the tone is.
func addSine(plane []float64, hz, amplitude float64, rate int) {
	if period := periodOf(hz, rate); period > 0 && period < len(plane) {
		sine := make([]float64, period)
		addSine(sine, hz, amplitude, rate)
		for n := range plane {
			plane[n] += sine[n%period]
		}
		return
	}
	for n := range plane {
		turns := remainder(float64(hz*float64(n)), float64(rate)) / float64(rate)
		sin, _ := dsp.SincosPi(2 * turns)
		plane[n] += float64(amplitude * sin)
	}
}

// periodOf is the number of frames after which a tone of whole Hz repeats; 0 for a frequency
// that is not whole.
func periodOf(hz float64, rate int) int {
	if whole := int(hz); float64(whole) == hz && whole > 0 {
		return rate / gcd(rate, whole)
	}
	return 0
}

// remainder is math.Mod for a whole modulus and numbers from 0 to 2^53 times the modulus. The
// product is exact, and so is the difference.
func remainder(x, modulus float64) float64 {
	whole := int64(x/modulus) * int64(modulus) // in integers, which no compiler fuses
	r := x - float64(whole)
	if r < 0 {
		r += modulus // the quotient was rounded up to a whole number
	}
	return r
}

// fade applies a fade-in and a fade-out.
func fade(plane []float64, rate int) {
	length := min(frames(FadeMs/1000.0, rate), len(plane)/2)
	for n := range length {
		sin, _ := dsp.SincosPi(float64(n) / float64(2*length))
		plane[n] *= float64(sin * sin)
		plane[len(plane)-1-n] *= float64(sin * sin)
	}
}

// spread puts a plane into all channels (only is 0) or into one, counted from 1.
func spread(plane []float64, channels, only int) dsp.Block {
	b := make(dsp.Block, max(1, channels))
	var silence []float64
	for c := range b {
		if only == 0 || only == c+1 {
			b[c] = plane
			continue
		}
		if silence == nil {
			silence = make([]float64, len(plane))
		}
		b[c] = silence
	}
	return b
}
