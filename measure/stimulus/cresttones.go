package stimulus

import "github.com/boothbench/boothbench/dsp"

// CrestTones are sounds of different crest factor. The first is a pair of equal tones, whose
// wave peaks 6.02 dB over its rms. The others are sines, which peak 3.01 dB over their rms, at
// levels around the pair's rms. They show what a detector measures: an rms detector reads the
// pair as loud as the sine of equal rms, a peak detector as loud as the sine 3.01 dB higher.
type CrestTones struct {
	Hz          float64 // of the sines; the pair lies at 0.83 and 1.19 times this: its beat is too fast for a detector
	PeakDBFS    float64 // of the sine with the pair's rms; the pair peaks 3.01 dB higher
	StepSeconds float64
	Channels    int // 0 means one
}

// CrestSteps are the levels of the sines against the pair's rms, in dB.
func CrestSteps() []float64 { return []float64{-2, -1, 0, 1, 2, 3, 4, 5} }

// StandardCrestTones gives each level half a second.
func StandardCrestTones(peakDBFS float64) CrestTones {
	return CrestTones{Hz: 3000, PeakDBFS: peakDBFS, StepSeconds: 0.5}
}

// Kind is "crest-tones".
func (c CrestTones) Kind() string { return "crest-tones" }

// pairLow and pairHigh are the frequencies of the pair over that of the sines.
const pairLow, pairHigh = 0.83, 1.19

// Pair are the frequencies of the pair in Hz.
func (c CrestTones) Pair() (low, high float64) { return pairLow * c.Hz, pairHigh * c.Hz }

// Step is the first frame of the i-th sound and one past its last, at a rate in Hz; sound 0 is
// the pair.
func (c CrestTones) Step(i, rate int) (from, to int) {
	length := frames(c.StepSeconds, rate)
	return i * length, (i + 1) * length
}

// Make returns the sounds at a rate in Hz.
func (c CrestTones) Make(rate int) (dsp.Block, error) {
	if err := firstError(checkFormat(rate, c.Channels), checkHzBy("hz", c.Hz, pairHigh, rate), checkRange("peak_dbfs", c.PeakDBFS, -200, -5, "dBFS"),
		checkRange("step_seconds", c.StepSeconds, 0.05, 60, "s")); err != nil {
		return nil, err
	}
	low, high := c.Pair()
	steps := CrestSteps()
	_, length := c.Step(len(steps), rate)
	plane := make([]float64, length)
	amplitude := dsp.DBToAmplitude(c.PeakDBFS)
	from, to := c.Step(0, rate)
	const half = 0.7071067811865476 // two sines of A/√2 have the power of one of A
	addSine(plane[from:to], low, float64(half*amplitude), rate)
	addSine(plane[from:to], high, float64(half*amplitude), rate)
	for i, db := range steps {
		from, to := c.Step(i+1, rate)
		addSine(plane[from:to], c.Hz, float64(amplitude*dsp.DBToAmplitude(db)), rate)
	}
	fade(plane, rate)
	return spread(plane, c.Channels, 0), nil
}
