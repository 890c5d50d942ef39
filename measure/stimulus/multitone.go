package stimulus

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
)

// Multitone is many sines at once, in pairs on a grid of equal ratios. A pair gives gain and
// phase, and the phase difference of its two tones gives the group delay. All sines are
// periodic in one period, so that the settled response is read without leakage.
type Multitone struct {
	LowHz, HighHz float64
	PerOctave     int // pairs
	Periods       int // that are measured; one more precedes them, for the device to settle
	PeakDBFS      float64
	Channels      int // 0 means one
}

// StandardMultitone covers 20 Hz to 20 kHz in thirds of an octave.
func StandardMultitone(peakDBFS float64) Multitone {
	return Multitone{LowHz: 20, HighHz: 20000, PerOctave: 3, Periods: 2, PeakDBFS: peakDBFS}
}

// Kind is "multitone".
func (m Multitone) Kind() string { return "multitone" }

// Period is the length of a period in frames at a rate in Hz: a power of two of
// one second or more.
func (m Multitone) Period(rate int) int {
	period := 1
	for period < rate {
		period *= 2
	}
	return period
}

// pairBins is how many bins apart the two tones of a pair lie.
const pairBins = 2

// Bins are the tones in cycles per period: hz = bin·rate/Period. The two of a pair are
// adjacent.
func (m Multitone) Bins(rate int) []int {
	binHz := float64(rate) / float64(m.Period(rate))
	var bins []int
	last := 0
	for i := 0; ; i++ {
		// An octave of IEC 61260-1 is a ratio of 10^0.3: ten thirds are a decade.
		hz := float64(m.LowHz * dsp.DBToPower(3*float64(i)/float64(m.PerOctave)))
		if hz > m.HighHz*1.0001 {
			return bins
		}
		bin := max(last+1, int(math.Round(hz/binHz)))
		last = bin + pairBins
		bins = append(bins, bin, last)
	}
}

// Make returns the tones at a rate in Hz: a period to settle, which fades in, the
// periods that are measured, and a short fade out.
func (m Multitone) Make(rate int) (dsp.Block, error) {
	if err := m.check(rate); err != nil {
		return nil, err
	}
	period := m.period(rate)
	tail := frames(FadeMs/1000.0, rate)
	plane := make([]float64, (1+m.Periods)*len(period)+tail)
	for n := range plane {
		plane[n] = period[n%len(period)]
	}
	fade(plane, rate)
	return spread(plane, m.Channels, 0), nil
}

// period is one period. The phases keep the peak of equally strong tones low (Schroeder,
// "Synthesis of low-peak-factor signals and binary sequences with low autocorrelation", IEEE
// Trans. Information Theory 16, 1970).
func (m Multitone) period(rate int) []float64 {
	length := m.Period(rate)
	table := make([]float64, length) // one cycle of a sine; each bin reads it in steps of its number
	for n := range table {
		table[n], _ = dsp.SincosPi(2 * float64(n) / float64(length))
	}
	sum := make([]float64, length)
	bins := m.Bins(rate)
	for k, bin := range bins {
		turns := float64(k) * float64(k) / float64(2*len(bins))
		at := int(fraction(turns) * float64(length))
		for n := range sum {
			sum[n] += table[at&(length-1)]
			at += bin
		}
	}
	largest := 0.0
	for _, x := range sum {
		largest = max(largest, math.Abs(x))
	}
	scale(sum, dsp.DBToAmplitude(m.PeakDBFS)/largest)
	return sum
}

func (m Multitone) check(rate int) error {
	return firstError(checkFormat(rate, m.Channels), checkRange("low_hz", m.LowHz, 5, m.HighHz, "Hz"),
		checkHz("high_hz", m.HighHz+3*pairBins, rate), checkRange("per_octave", float64(m.PerOctave), 1, 48, ""),
		checkRange("periods", float64(m.Periods), 1, 100, ""), checkPeak("peak_dbfs", m.PeakDBFS))
}
