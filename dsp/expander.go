package dsp

// ExpanderSettings describes a downward expander.
type ExpanderSettings struct {
	ThresholdDBFS       float64
	Ratio               float64 // dB out per dB in below the threshold: with 2, a level 10 dB below the threshold becomes 20 dB below it; +Inf makes a gate with the range RangeDB
	KneeDB              float64 // width of the soft knee, centred on the threshold
	RangeDB             float64 // largest attenuation
	HysteresisDB        float64 // once open, it stays open down to this far below the opening level
	AttackMs            float64 // time constant of opening (gain rising)
	HoldMs              float64 // how long it stays open after the level has fallen
	ReleaseMs           float64 // time constant of closing (gain falling)
	LookaheadMs         float64 // delay of the sound against the gain; the stage's latency
	Detector            DetectorKind
	DetectorWindowMs    float64
	SidechainHighPassHz float64 // 12 dB/oct in the detector's path only; 0: none
	LinkChannels        bool    // one gain for all channels, from the level of the loudest
}

// Expander lowers what is below a threshold.
//
// It is closed or open. Closed, it follows the static curve, with an
// attenuation of at most RangeDB. It opens where that curve reaches 0 dB: at
// the threshold plus half the knee. Open, its gain is 1; it closes when the
// level has been more than HysteresisDB below the opening level for HoldMs.
// Noise around the threshold therefore cannot make it chatter, and a rising
// level follows the curve.
type Expander struct{ *gainStage }

// NewExpander builds an expander for a rate in Hz and a number of channels.
// Errors are *SettingError.
func NewExpander(s ExpanderSettings, rate, channels int) (*Expander, error) {
	err := first(
		checkFormat(rate, channels),
		checkRange("threshold_dbfs", s.ThresholdDBFS, -200, 100, "dBFS"),
		checkRatio(s.Ratio, "dB out per dB in"),
		checkRange("knee_db", s.KneeDB, 0, 100, "dB"),
		checkRange("range_db", s.RangeDB, 0, 200, "dB"),
		checkRange("hysteresis_db", s.HysteresisDB, 0, 100, "dB"),
		checkTimes(s.AttackMs, s.HoldMs, s.ReleaseMs),
		checkDetector(s.Detector, s.DetectorWindowMs, s.LookaheadMs, s.SidechainHighPassHz, rate),
	)
	if err != nil {
		return nil, err
	}
	d := newDetector(s.Detector, s.DetectorWindowMs, sidechainHighPass(s.SidechainHighPassHz, rate), s.LinkChannels, rate, channels)
	top := s.ThresholdDBFS + float64(s.KneeDB/2)
	deepest := d.linear(s.deepest())
	d.ignore(deepest)
	return &Expander{newGainStage(d, s.LookaheadMs, 0, rate, channels, func() envelope {
		e := &expanderEnvelope{
			settings: s, detector: d, holdFrames: Frames(s.HoldMs, rate),
			opens: d.linear(top), staysOpen: d.linear(top - s.HysteresisDB), deepest: deepest,
			// In this smoother more attenuation means closing, less means
			// opening.
			smoother: newSmoother(s.ReleaseMs, s.AttackMs, 0, rate),
		}
		e.reset()
		return e
	})}, nil
}

// deepest is a level in dBFS at and below which the curve gives the whole
// range.
func (s ExpanderSettings) deepest() float64 {
	if s.Ratio == 1 {
		return -mostLevelDBFS
	}
	// One dB more than needed, so that rounding cannot matter.
	return s.ThresholdDBFS - float64(s.KneeDB/2) - s.RangeDB/(s.Ratio-1) - 1
}

type expanderEnvelope struct {
	smoother
	settings         ExpanderSettings
	detector         *detector
	opens, staysOpen float64 // levels of the detector
	deepest          float64 // the detector's level up to which the curve gives the whole range
	holdFrames       int

	open bool
	wait int // frames until it closes

	level, target float64 // the last level while closed, and its attenuation in dB
}

func (e *expanderEnvelope) run(gain []float64, levels []stretch) (steady bool) {
	if e.open && e.at(0) && loud(levels, e.staysOpen) {
		e.wait = e.holdFrames
		return e.rest(gain)
	}
	if !e.open && e.at(e.settings.RangeDB) && quiet(levels, e.deepest) {
		return e.rest(gain)
	}
	for _, l := range levels {
		e.frames(gain[:l.frames], l.level)
		gain = gain[l.frames:]
	}
	return false
}

// frames handles frames of one level.
func (e *expanderEnvelope) frames(gain []float64, level float64) {
	switch {
	case !(level < e.opens), e.open && !(level < e.staysOpen):
		e.open, e.wait = true, e.holdFrames
	case e.open:
		n := min(e.wait, len(gain))
		e.follow(gain[:n], 0)
		e.wait -= n
		gain = gain[n:]
		if len(gain) == 0 {
			return
		}
		e.open = false
	}
	target := 0.0
	if !e.open {
		target = e.closed(level)
	}
	e.follow(gain, target)
}

// closed is the attenuation in dB that the static curve gives for a level.
func (e *expanderEnvelope) closed(level float64) float64 {
	if level != e.level {
		s := &e.settings
		e.level, e.target = level, min(s.RangeDB, expanderCurve(e.detector.decibels(level), s.ThresholdDBFS, s.Ratio, s.KneeDB))
	}
	return e.target
}

// reset closes the expander: the sound before the first frame counts as
// silence.
func (e *expanderEnvelope) reset() {
	e.open, e.wait = false, 0
	e.level, e.target = 0, e.settings.RangeDB
	if e.settings.Ratio == 1 {
		e.target = 0
	}
	e.settle(e.target)
}
