package dsp

// VerifiedLimiter is a Limiter and, after it, a VerifiedCeiling: of the same
// ceiling, with the channels linked alike. For every finite input no sample, no
// reading of Rec. ITU-R BS.1770-5 Annex 2 and no reading of a windowed sinc of
// 64 phases and 256 taps exceeds the ceiling. An exact reconstruction, whose sinc has no
// end, agrees with it but for content next to the Nyquist frequency: runs of +1, −1, +1 …
// that turn once read up to 7 dB over the ceiling in 1,024 frames and 14 dB in 65,536
// (by Fourier interpolation), more the longer they are.
//
// Parts gives the two, to be run apart with a quantiser between them (see
// VerifiedCeiling.OnGrid): the ceiling is then held by the samples of a format.
type VerifiedLimiter struct {
	limiter *Limiter
	ceiling *VerifiedCeiling
}

// NewVerifiedLimiter builds both parts; errors are *SettingError. It is what
// settings with Verify ask for, and takes others too.
func NewVerifiedLimiter(s LimiterSettings, rate, channels int) (*VerifiedLimiter, error) {
	s.Verify = false // the limiter's part does not
	limiter, err := NewLimiter(s, rate, channels)
	if err != nil {
		return nil, err
	}
	ceiling, err := NewVerifiedCeiling(VerifiedCeilingSettings{CeilingDBTP: s.CeilingDBTP, LinkChannels: s.LinkChannels}, rate, channels)
	if err != nil {
		return nil, err
	}
	return &VerifiedLimiter{limiter, ceiling}, nil
}

// Parts returns the limiter and the ceiling behind it.
func (v *VerifiedLimiter) Parts() (GainTracer, Verification) { return v.limiter, v.ceiling }

// Latency is the limiter's look-ahead and the 511 frames of the verification.
func (v *VerifiedLimiter) Latency() int { return v.limiter.Latency() + v.ceiling.Latency() }

// Reset empties both parts.
func (v *VerifiedLimiter) Reset() {
	v.limiter.Reset()
	v.ceiling.Reset()
}

// Process limits the block in place.
func (v *VerifiedLimiter) Process(b Block) {
	v.limiter.Process(b)
	v.ceiling.Process(b)
}
