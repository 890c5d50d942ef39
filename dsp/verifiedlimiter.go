package dsp

// VerifiedLimiter is a Limiter followed by a VerifiedCeiling with the same ceiling and
// the same linking of channels. For every finite input no sample, no reading of Rec.
// ITU-R BS.1770-5 Annex 2 and no reading of a windowed sinc of 64 phases and 256 taps
// exceeds the ceiling. An exact reconstruction, whose sinc is infinite, agrees except for
// content next to the Nyquist frequency: runs of +1, −1, +1 … with one reversal read up
// to 7 dB over the ceiling in 1,024 frames and 14 dB in 65,536 (by Fourier
// interpolation), more the longer they are.
//
// Parts returns the two, to be run separately with a quantiser between them (see
// VerifiedCeiling.OnGrid): the quantised samples then keep the ceiling.
type VerifiedLimiter struct {
	limiter *Limiter
	ceiling *VerifiedCeiling
}

// NewVerifiedLimiter builds both parts for a rate in Hz and a number of
// channels; errors are *SettingError. It ignores Verify in the settings.
func NewVerifiedLimiter(s LimiterSettings, rate, channels int) (*VerifiedLimiter, error) {
	s.Verify = false // the limiter part does not verify
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

// Parts returns the limiter and the ceiling after it.
func (v *VerifiedLimiter) Parts() (GainTracer, Verification) { return v.limiter, v.ceiling }

// Latency is the limiter's look-ahead plus the 511 frames of the verification.
func (v *VerifiedLimiter) Latency() int { return v.limiter.Latency() + v.ceiling.Latency() }

// Reset brings both parts back to the state they were built in.
func (v *VerifiedLimiter) Reset() {
	v.limiter.Reset()
	v.ceiling.Reset()
}

// Process limits the block in place.
func (v *VerifiedLimiter) Process(b Block) {
	v.limiter.Process(b)
	v.ceiling.Process(b)
}
