package timemap

import (
	"math"

	"github.com/boothbench/boothbench/dsp/vector"
)

// MostDriftPPM is the largest clock difference that is searched, in ppm. Crystals differ by up to
// 100 ppm (common practice, no source); a pulled-down rate is 999 ppm off.
const MostDriftPPM = 500

// Map maps frames of the stimulus to places in the recording, whose clock may run a little
// faster or slower than the player's.
type Map struct {
	Delay float64 // where the stimulus's frame 0 lies, in frames of the recording
	Speed float64 // frames of the recording per frame of the stimulus
}

func (m Map) At(frame int) float64 { return m.Delay + m.Speed*float64(frame) }

// Resample reads a channel of a recording at a range of frames of the stimulus. Outside the
// recording is silence.
func (m Map) Resample(recording []float64, from, to int) []float64 {
	out := make([]float64, to-from)
	if m.Speed == 1 {
		m.shift(recording, from, out)
	} else {
		m.Read(recording, from, out, Sinc().Half(), Sinc().At)
	}
	return out
}

// shift is Read where all frames lie at one fraction between two samples: one set of taps
// reads them all.
func (m Map) shift(recording []float64, from int, out []float64) {
	at := m.At(from)
	whole := math.Floor(at)
	half := Sinc().Half()
	first := int(whole) - half + 1 // of the recording: the first one that is read
	window := make([]float64, len(out)+2*half)
	if lo, hi := max(0, first), min(len(recording), first+len(window)); lo < hi {
		copy(window[lo-first:], recording[lo:hi])
	}
	if at == whole {
		copy(out, window[half-1:])
		return
	}
	taps := Sinc().Taps(at - whole)
	for n := 0; n < len(out); n += 2 {
		s := vector.Dots2(taps, window[n:], window[n+1:])
		copy(out[n:], s[:])
	}
}

// Read fills a slice with a recording at the stimulus's frames from a first one on, by an
// interpolator with half as many taps on either side as its window.
func (m Map) Read(recording []float64, from int, out []float64, half int, interpolate func(position float64, window []float64) float64) {
	edge := make([]float64, 2*half)
	for n := range out {
		at := m.At(from + n)
		whole := int(math.Floor(at))
		first := whole - half + 1
		window := edge
		if first >= 0 && first+2*half <= len(recording) {
			window = recording[first : first+2*half]
		} else {
			for j := range edge {
				edge[j] = 0
				if k := first + j; k >= 0 && k < len(recording) {
					edge[j] = recording[k]
				}
			}
		}
		out[n] = interpolate(at-float64(whole), window)
	}
}
