package dsp

// Static curves with a quadratic soft knee: Giannoulis, Massberg, Reiss,
// "Digital Dynamic Range Compressor Design", JAES 60(6) 2012, pp. 399–408, eq.
// 4. The expander's curve is the mirror image, so that both ends of its knee
// meet with equal slope. The functions return attenuation in dB, 0 or more.

// compressorCurve is the attenuation above a threshold. Level and threshold
// share one unit; the knee is in dB; the ratio (dB in per dB out) is 1 or more.
// With an infinite ratio the output stays at the threshold.
func compressorCurve(level, threshold, ratio, knee float64) float64 {
	return kneeLine(level-threshold, 1-1/ratio, knee)
}

// expanderCurve is the attenuation below a threshold, for a ratio (dB out per
// dB in) of 1 or more. With an infinite ratio it is infinite below the knee.
func expanderCurve(level, threshold, ratio, knee float64) float64 {
	return kneeLine(threshold-level, ratio-1, knee)
}

// kneeLine is 0 before the knee, a line of the slope through 0 after it, and
// between them the parabola that meets both with their slopes.
func kneeLine(past, slope, knee float64) float64 {
	into := past + float64(knee/2)
	switch {
	case into <= 0 || slope == 0: // also where past is infinite
		return 0
	case into < knee:
		return slope * into * into / (2 * knee)
	}
	return slope * past
}
