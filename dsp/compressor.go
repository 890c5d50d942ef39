package dsp

// CompressorSettings describes a downward compressor.
type CompressorSettings struct {
	ThresholdDBFS       float64
	Ratio               float64 // dB in per dB out above the threshold; +Inf keeps the level at the threshold, without a limiter's guarantee
	KneeDB              float64 // width of the soft knee, centred on the threshold
	AttackMs            float64 // time constant of the gain falling
	HoldMs              float64 // the gain rises no further than the lowest gain that the level called for within this time
	ReleaseMs           float64 // time constant of the gain rising
	MakeupDB            float64 // fixed gain after compression; never automatic
	LookaheadMs         float64 // delay of the sound against the gain; the stage's latency
	Detector            DetectorKind
	DetectorWindowMs    float64
	SidechainHighPassHz float64 // 12 dB/oct in the detector's path only; 0: none
	LinkChannels        bool    // one gain for all channels, from the level of the loudest
}

// Compressor lowers what is above a threshold: feed-forward, with the smoothing
// after the static curve, in dB (Giannoulis, Massberg, Reiss, JAES 60(6) 2012).
//
// On a steady tone the gain follows the static curve within 0.01 dB, and with the
// Peak detector it is constant. Attack and release are the times to 63.2 % of a
// change in dB, whatever its size. On a step of level they begin when the
// detector responds: Peak responds at once to a rise and after its window to a
// fall; RMS takes its window for both. Release also waits for the hold, counted
// from the last moment at which the level held the gain down. Sound below the
// knee passes bit for bit, apart from make-up gain and look-ahead.
type Compressor struct{ *gainStage }

// NewCompressor builds a compressor for a rate in Hz and a number of channels.
// Errors are *SettingError.
func NewCompressor(s CompressorSettings, rate, channels int) (*Compressor, error) {
	err := first(
		checkFormat(rate, channels),
		checkRange("threshold_dbfs", s.ThresholdDBFS, -200, 100, "dBFS"),
		checkRatio(s.Ratio, "dB in per dB out"),
		checkRange("knee_db", s.KneeDB, 0, 100, "dB"),
		checkTimes(s.AttackMs, s.HoldMs, s.ReleaseMs),
		checkRange("makeup_db", s.MakeupDB, -100, 100, "dB"),
		checkDetector(s.Detector, s.DetectorWindowMs, s.LookaheadMs, s.SidechainHighPassHz, rate),
	)
	if err != nil {
		return nil, err
	}
	d := newDetector(s.Detector, s.DetectorWindowMs, sidechainHighPass(s.SidechainHighPassHz, rate), s.LinkChannels, rate, channels)
	kneeStart := d.linear(s.ThresholdDBFS - float64(s.KneeDB/2))
	d.ignore(kneeStart)
	return &Compressor{newGainStage(d, s.LookaheadMs, s.MakeupDB, rate, channels, func() envelope {
		return &compressorEnvelope{
			settings: s, detector: d, kneeStart: kneeStart,
			smoother: newSmoother(s.AttackMs, s.ReleaseMs, s.HoldMs, rate),
		}
	})}, nil
}

type compressorEnvelope struct {
	smoother
	settings  CompressorSettings
	detector  *detector
	kneeStart float64 // the detector's level below which there is no attenuation

	level, target float64 // the last level above kneeStart, and its attenuation in dB
}

func (e *compressorEnvelope) run(gain []float64, levels []stretch) (steady bool) {
	if e.at(0) && quiet(levels, e.kneeStart) {
		return e.rest(gain)
	}
	for _, l := range levels {
		target := e.wanted(l.level)
		if len(levels) == 1 && e.at(target) {
			return e.rest(gain)
		}
		e.follow(gain[:l.frames], target)
		gain = gain[l.frames:]
	}
	return false
}

// wanted is the attenuation in dB that the static curve gives for a level.
func (e *compressorEnvelope) wanted(level float64) float64 {
	if !(level > e.kneeStart) {
		return 0
	}
	if level != e.level {
		s := &e.settings
		e.level, e.target = level, compressorCurve(e.detector.decibels(level), s.ThresholdDBFS, s.Ratio, s.KneeDB)
	}
	return e.target
}
