package dsp

import "errors"

// ExpanderSettings describes a downward expander.
type ExpanderSettings struct {
	ThresholdDBFS       float64
	Ratio               float64 // dB out per dB in below the threshold: 2 makes 10 dB under it 20
	KneeDB              float64 // width of the soft knee, centred on the threshold
	RangeDB             float64 // largest attenuation
	HysteresisDB        float64 // once open, it stays open down to this far under the opening level
	AttackMs            float64 // time constant of opening (gain rising)
	HoldMs              float64 // how long it stays open after the level fell
	ReleaseMs           float64 // time constant of closing (gain falling)
	LookaheadMs         float64 // how long the sound is delayed against the gain: latency
	Detector            DetectorKind
	DetectorWindowMs    float64
	SidechainHighPassHz float64 // 12 dB/oct in the detector's path only; 0: none
	LinkChannels        bool    // one gain for all channels, from the loudest
}

// NewExpander builds the expander.
func NewExpander(s ExpanderSettings, rate, channels int) (GainTracer, error) {
	return nil, errors.New("expander: not built yet")
}
