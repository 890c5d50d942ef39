package spectra

import (
	"math"
)

// NominalHz is the nominal frequency of a third-octave band in Hz, of IEC 61260-1 annex E, in
// two digits: 31 stands for 31.5.
func NominalHz(hz float64) int {
	names := []int{100, 125, 160, 200, 250, 315, 400, 500, 630, 800}
	tens := math.Round(10 * math.Log10(hz/100))
	decade := math.Floor(tens / 10)
	return int(float64(names[int(tens-10*decade)]) * math.Pow(10, decade))
}

// ThirdOctave is a band and the bins of a spectrum that lie in it.
type ThirdOctave struct {
	Hz        float64 // exact mid-band frequency
	low, high float64 // its edges, in bins
}

// ThirdOctaves are the bands of IEC 61260-1:2014 (base ten) from 20 Hz to 20 kHz, or to half
// the rate, for a spectrum of length frames.
func ThirdOctaves(rate, length int) []ThirdOctave {
	var all []ThirdOctave
	bin := float64(rate) / float64(length)
	for i := -17; i <= 13; i++ {
		middle := 1000 * math.Pow(10, float64(i)/10)
		t := ThirdOctave{middle, middle * math.Pow(10, -0.05) / bin, middle * math.Pow(10, 0.05) / bin}
		if t.high*bin > 0.48*float64(rate) {
			break
		}
		all = append(all, t)
	}
	return all
}

// Each calls a function with each bin of the band and the share of the bin in the band.
func (t ThirdOctave) Each(visit func(bin int, share float64)) {
	for k := int(math.Round(t.low)); float64(k)-0.5 < t.high; k++ {
		if share := min(t.high, float64(k)+0.5) - max(t.low, float64(k)-0.5); share > 0 {
			visit(k, min(1, share))
		}
	}
}
