package stimulus

import "github.com/boothbench/boothbench/dsp"

// Impulse is one sample in silence: a device answers it with its impulse response. It has
// little energy; take a Sweep for noisy devices.
type Impulse struct {
	PeakDBFS    float64
	LeadSeconds float64 // silence before the impulse
	Seconds     float64 // of the whole signal
	Channels    int     // 0 means one
}

// StandardImpulse leaves a device a second of silence on either side.
func StandardImpulse(peakDBFS float64) Impulse {
	return Impulse{PeakDBFS: peakDBFS, LeadSeconds: 1, Seconds: 2}
}

// Kind is "impulse".
func (i Impulse) Kind() string { return "impulse" }

// Frame is the impulse's frame at a rate in Hz.
func (i Impulse) Frame(rate int) int { return frames(i.LeadSeconds, rate) }

// Make returns the impulse at a rate in Hz.
func (i Impulse) Make(rate int) (dsp.Block, error) {
	if err := firstError(checkFormat(rate, i.Channels), checkPeak("peak_dbfs", i.PeakDBFS), checkSeconds("seconds", i.Seconds),
		checkRange("lead_seconds", i.LeadSeconds, 0, i.Seconds/2, "s")); err != nil {
		return nil, err
	}
	plane := make([]float64, frames(i.Seconds, rate))
	plane[i.Frame(rate)] = dsp.DBToAmplitude(i.PeakDBFS)
	return spread(plane, i.Channels, 0), nil
}
