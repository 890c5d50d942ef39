package measure

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
)

// thirdOctave is a band and the bins of a spectrum that lie in it.
type thirdOctave struct {
	hz        float64 // its middle
	low, high float64 // its edges, in bins
}

// thirdOctaves are the bands of IEC 61260-1:2014 (base ten) from 20 Hz to 20 kHz, or
// as far as the rate goes, for a spectrum of a length.
func thirdOctaves(rate, length int) []thirdOctave {
	var all []thirdOctave
	bin := float64(rate) / float64(length)
	for i := -17; i <= 13; i++ {
		middle := 1000 * math.Pow(10, float64(i)/10)
		t := thirdOctave{middle, middle * math.Pow(10, -0.05) / bin, middle * math.Pow(10, 0.05) / bin}
		if t.high*bin > 0.48*float64(rate) {
			break
		}
		all = append(all, t)
	}
	return all
}

// each visits the bins of the band; an outer one counts by how much of it lies there.
func (t thirdOctave) each(visit func(bin int, share float64)) {
	for k := int(math.Round(t.low)); float64(k)-0.5 < t.high; k++ {
		if share := min(t.high, float64(k)+0.5) - max(t.low, float64(k)-0.5); share > 0 {
			visit(k, min(1, share))
		}
	}
}

// ThirdOctaves is a meter of the long-term spectrum in third-octave bands, the mean
// of all channels: blocks of a sixth of a second under a Hann window (Welch 1967).
type ThirdOctaves struct {
	rate     int
	spectrum *powerSpectrum
	running  dsp.Block
}

// NewThirdOctaves makes the meter for a rate in Hz.
func NewThirdOctaves(rate, channels int) *ThirdOctaves {
	length := 1024
	for length < rate/6 {
		length *= 2
	}
	return &ThirdOctaves{rate: rate, spectrum: emptySpectrum(hann(length), rate), running: make(dsp.Block, channels)}
}

// Write takes the next block.
func (t *ThirdOctaves) Write(b dsp.Block) {
	length := len(t.spectrum.window)
	for c := range b {
		x := append(t.running[c], b[c]...)
		for len(x) >= length {
			t.spectrum.add(x[:length], length)
			x = x[length/2:]
		}
		t.running[c] = append(t.running[c][:0], x...)
	}
}

// BandLevel is the level of a band: its middle in Hz as IEC 61260-1 names it, and the
// mathematical rms in dBFS, −Inf for nothing.
type BandLevel struct {
	Hz   int
	DBFS float64
}

// Levels are the bands' levels, none where the sound was shorter than a block.
func (t *ThirdOctaves) Levels() []BandLevel {
	if t.spectrum.blocks == 0 {
		return nil
	}
	var all []BandLevel
	for _, band := range thirdOctaves(t.rate, len(t.spectrum.window)) {
		sum := 0.0
		band.each(func(k int, share float64) { sum += share * t.spectrum.power[k] })
		all = append(all, BandLevel{nominalHz(band.hz), dsp.PowerToDB(sum / float64(t.spectrum.blocks))})
	}
	return all
}
