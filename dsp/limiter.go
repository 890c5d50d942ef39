package dsp

import "errors"

// ReleaseStyle trades a limiter's loudness against the movement of its gain.
type ReleaseStyle int

// The release styles, from the least gain movement to the loudest result.
const (
	Balanced ReleaseStyle = iota
	Clean
	Loud
)

// LimiterSettings describes a look-ahead true-peak limiter.
type LimiterSettings struct {
	CeilingDBTP  float64
	DriveDB      float64 // gain ahead of the limiter
	LookaheadMs  float64 // the whole latency
	Release      ReleaseStyle
	LinkChannels bool // one gain for all channels, from the loudest
}

// NewLimiter builds the limiter.
func NewLimiter(s LimiterSettings, rate, channels int) (GainTracer, error) {
	return nil, errors.New("limiter: not built yet")
}
