package dsp

import "errors"

// CompressorSettings describes a downward compressor.
type CompressorSettings struct {
	ThresholdDBFS       float64
	Ratio               float64 // dB in per dB out above the threshold
	KneeDB              float64 // width of the soft knee, centred on the threshold
	AttackMs            float64 // time constant of the gain falling
	HoldMs              float64 // how long the gain stays before it rises again
	ReleaseMs           float64 // time constant of the gain rising
	MakeupDB            float64 // fixed gain after compression; never automatic
	LookaheadMs         float64 // how long the sound is delayed against the gain: latency
	Detector            DetectorKind
	DetectorWindowMs    float64
	SidechainHighPassHz float64 // 12 dB/oct in the detector's path only; 0: none
	LinkChannels        bool    // one gain for all channels, from the loudest
}

// NewCompressor builds the compressor.
func NewCompressor(s CompressorSettings, rate, channels int) (GainTracer, error) {
	return nil, errors.New("compressor: not built yet")
}
