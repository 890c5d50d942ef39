package stimulus

import "github.com/boothbench/boothbench/dsp"

// LinkTones are one tone at two levels in two channels. They show whether a level-dependent
// stage has one gain for both.
type LinkTones struct {
	Hz                  float64
	LeftDBFS, RightDBFS float64 // peaks
	Seconds             float64 // fades included
}

// StandardLinkTones have 12 dB between the channels, for 3 s.
func StandardLinkTones(leftDBFS float64) LinkTones {
	return LinkTones{Hz: StandardHz, LeftDBFS: leftDBFS, RightDBFS: leftDBFS - 12, Seconds: 3}
}

// Kind is "link-tones".
func (l LinkTones) Kind() string { return "link-tones" }

// Make returns the tones at a rate in Hz.
func (l LinkTones) Make(rate int) (dsp.Block, error) {
	if err := firstError(checkPeak("left_dbfs", l.LeftDBFS), checkPeak("right_dbfs", l.RightDBFS)); err != nil {
		return nil, err
	}
	left, err := Tone{Hz: l.Hz, PeakDBFS: l.LeftDBFS, Seconds: l.Seconds}.Make(rate)
	if err != nil {
		return nil, err
	}
	right, err := Tone{Hz: l.Hz, PeakDBFS: l.RightDBFS, Seconds: l.Seconds}.Make(rate)
	if err != nil {
		return nil, err
	}
	return dsp.Block{left[0], right[0]}, nil
}
