package dsp

// Static curves with a quadratic soft knee: Giannoulis, Massberg, Reiss,
// "Digital Dynamic Range Compressor Design", JAES 60(6) 2012, pp. 399–408,
// eq. 4; the expander's is made in the same way. They return attenuation in
// dB, 0 or more.

// compressorCurve is the attenuation above a threshold, for a level in the
// threshold's unit, ratio 1 or more (dB in per dB out) and a knee in dB.
func compressorCurve(level, threshold, ratio, knee float64) float64 {
	slope := 1 - 1/ratio
	over := level - threshold
	switch {
	case 2*over <= -knee:
		return 0
	case 2*over < knee:
		d := over + float64(knee/2)
		return slope * d * d / (2 * knee)
	}
	return slope * over
}

// expanderCurve is the attenuation below a threshold, for ratio 1 or more (dB
// out per dB in).
func expanderCurve(level, threshold, ratio, knee float64) float64 {
	slope := ratio - 1
	under := threshold - level
	switch {
	case 2*under <= -knee:
		return 0
	case 2*under < knee:
		d := under + float64(knee/2)
		return slope * d * d / (2 * knee)
	}
	return slope * under
}
