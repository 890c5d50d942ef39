package chain

// term is a word that Explain knows besides kinds and keys.
type term struct {
	Word     string
	Also     []string // other spellings
	Meaning  string
	Document string // where it is defined
	Trap     string
}

// terms lists units, readings and terms of dynamics processing.
func terms() []term {
	return []term{
		{
			Word: "dB", Also: []string{"decibel", "decibels"},
			Meaning:  "Twenty times the decimal logarithm of an amplitude ratio, ten times that of a power ratio. 6.02 dB doubles an amplitude, 3.01 dB a power.",
			Document: "IEC 60027-3 (from memory)",
			Trap:     "A ratio, not a level: a level needs a reference, such as full scale (dBFS) or a voltage (dBu).",
		},
		{
			Word: "dBFS", Also: []string{"peak dBFS"},
			Meaning:  "Level re full scale. In this program peak dBFS: a sample of 1.0 is 0 dBFS, and a sine that reaches it peaks at 0 dBFS; an RMS detector reads the mathematical root mean square, −3.01 dBFS for the same sine.",
			Document: "EBU Tech 3341 (2023) and Rec. ITU-R BS.1770-5 state their test levels as peaks",
			Trap:     "AES17-2015 clause 3.12 defines dBFS as RMS re a full-scale sine: 3.01 dB more than the mathematical RMS, so a full-scale square reads +3.01 dBFS there. Always ask which.",
		},
		{
			Word: "dBTP", Also: []string{"true-peak level"},
			Meaning:  "True-peak level re full scale: the largest value of the continuous waveform, between the samples too.",
			Document: "Rec. ITU-R BS.1770-5 Annex 2",
			Trap:     "A 4 times oversampled meter under-reads by up to 0.55 dB at 0.45 of the sampling rate, so it cannot prove a limiter that uses the same meter.",
		},
		{
			Word: "LUFS", Also: []string{"LKFS", "loudness", "integrated_lufs"},
			Meaning:  "Loudness re full scale: K-weighted mean square, −0.691 + 10 log10 of the channels' sum, gated for the integrated reading. LKFS is the same unit.",
			Document: "Rec. ITU-R BS.1770-5 Annex 1; EBU R 128",
			Trap:     "A mono file reads 3.01 LU less than the same voice on two channels.",
		},
		{
			Word: "LU", Also: []string{"loudness unit"},
			Meaning:  "Difference of two loudness levels; 1 LU is 1 dB.",
			Document: "EBU Tech 3341 (2023)",
			Trap:     "LU without a reference is a difference, LUFS a level: a target in LU must state what 0 LU is (−23 LUFS in EBU R 128).",
		},
		{
			Word:     "dBu",
			Meaning:  "Voltage level re √0.6 V = 0.7746 V RMS. +4 dBu is 1.228 V.",
			Document: "IEC 60027-3 (from memory)",
			Trap:     "Analogue: it relates to dBFS only through a calibration, such as 0 dBFS = +18 dBu. A chain file takes no dBu. 0 dBu is −2.218 dBV.",
		},
		{
			Word:     "dBV",
			Meaning:  "Voltage level re 1 V RMS. 0 dBV is +2.218 dBu; −10 dBV is 0.316 V.",
			Document: "IEC 60027-3 (from memory)",
			Trap:     "+4 dBu and −10 dBV are 11.78 dB apart, not 14.",
		},
		{
			Word: "ms", Also: []string{"millisecond", "milliseconds"},
			Meaning:  "Thousandths of a second. At 48 kHz 1 ms is 48 frames.",
			Document: "International System of Units",
			Trap:     "At 44.1 kHz 1 ms is 44.1 frames: times become whole frames, by rounding or, for the limiter's look-ahead, downwards.",
		},
		{
			Word: "frames", Also: []string{"frame", "sample", "samples"},
			Meaning:  "A frame is one sample of every channel; the rate counts frames per second.",
			Document: "common practice, no source",
			Trap:     "Two channels have twice as many samples as frames; delays are counted in frames.",
		},
		{
			Word: "Hz", Also: []string{"hertz", "Nyquist", "Nyquist frequency"},
			Meaning:  "Cycles per second. The Nyquist frequency, half the sampling rate, is the upper limit of sound at that rate.",
			Document: "International System of Units",
			Trap:     "A chain file with a corner or centre at or above it is refused for that sound; nothing is moved silently.",
		},
		{
			Word: "dB/oct", Also: []string{"slope", "octave", "order"},
			Meaning:  "Steepness of a filter far from its corner: 6.02 dB per doubling of the frequency for each order.",
			Document: "common practice, no source",
			Trap:     "At the corner itself a Butterworth filter of any order is 3.01 dB down.",
		},
		{
			Word: "attack", Also: []string{"attack time"},
			Meaning:  "How fast a dynamics stage responds to a rising level: here the time constant, to 1 − 1/e (63.2 %) of the change in dB.",
			Document: "own definition; one-pole smoothing after Giannoulis, Massberg, Reiss, JAES 60(6) 2012",
			Trap:     "There is no single definition: 10 to 90 %, or the time to within 2 or 3 dB of the end (hearing-aid standards IEC 60118-2, ANSI S3.22, from memory). Compare figures of one definition only.",
		},
		{
			Word: "release", Also: []string{"release time", "recovery"},
			Meaning:  "How fast a dynamics stage responds to a falling level: here the time constant, to 1 − 1/e (63.2 %) of the change in dB, after hold and detector window.",
			Document: "own definition; one-pole smoothing after Giannoulis, Massberg, Reiss, JAES 60(6) 2012",
			Trap:     "A short release on a deep voice follows the single cycles of the waveform: distortion.",
		},
		{
			Word:     "knee",
			Meaning:  "The rounded part of a static curve at the threshold, knee_db wide and centred on the threshold; a quadratic.",
			Document: "Giannoulis, Massberg, Reiss, JAES 60(6) 2012, pp. 399–408",
			Trap:     "With a soft knee a compressor starts half the knee below its threshold; at the threshold, 4:1 with a 6 dB knee already reduces by 0.56 dB.",
		},
		{
			Word: "latency", Also: []string{"look-ahead", "lookahead"},
			Meaning:  "Frames by which the output of a stage lags its input, because the gain is computed ahead of the sound. Filters here have none.",
			Document: "common practice, no source",
			Trap:     "A filter's group delay is not latency; and latency on one of two microphones makes a comb filter: 1 ms cancels at 500 Hz.",
		},
		{
			Word: "true peak", Also: []string{"inter-sample peak", "true_peak_dbtp"},
			Meaning:  "The largest value of the continuous waveform that the samples represent; in dBTP.",
			Document: "Rec. ITU-R BS.1770-5 Annex 2",
			Trap:     "A sine at a quarter of the sampling rate, its samples at 45°, has a true peak 3.01 dB over its sample peak.",
		},
		{
			Word: "sample peak", Also: []string{"sample_peak_dbfs", "peak"},
			Meaning:  "The largest magnitude of a sample; in dBFS.",
			Document: "common practice, no source",
			Trap:     "A sample-peak ceiling does not prevent clipping in converters and coders: see true peak.",
		},
		{
			Word: "RMS", Also: []string{"root mean square"},
			Meaning:  "Square root of the mean of the squares, here over a triangular window of detector_window_ms; a full-scale sine reads −3.01 dBFS.",
			Document: "AES17-2015 clause 5.2.3 for measuring (true RMS)",
			Trap:     "3.01 dB below the peak on a sine, 10 dB and more on speech: a threshold does not carry over from one detector to the other.",
		},
		{
			Word:     "noise floor",
			Meaning:  "Level of what remains in the pauses.",
			Document: "common practice, no source",
			Trap:     "A figure without bandwidth and weighting means nothing; neither does one taken from the loudest or the quietest window.",
		},
		{
			Word: "hysteresis", Also: []string{"chatter"},
			Meaning:  "Distance between the level that opens an expander and the level that lets it close.",
			Document: "common practice, no source",
			Trap:     "Without it, noise around the threshold opens and closes it many times a second.",
		},
		{
			Word: "ceiling", Also: []string{"limit"},
			Meaning:  "The true peak, in dBTP, that a limiter's output does not exceed.",
			Document: "−1 dBTP: EBU R 128",
			Trap:     "Lossy coding and resampling after the limiter raise peaks again, by 0.1 to 2 dB (common practice, no source).",
		},
		{
			Word: "loudness range", Also: []string{"LRA", "loudness_range_lu"},
			Meaning:  "Spread of the short-term loudness (3 s): 95th less 10th percentile above a relative gate of −20 LU; in LU.",
			Document: "EBU Tech 3342 (2023)",
			Trap:     "It says little about less than a minute of programme.",
		},
		{
			Word:     "dither",
			Meaning:  "Noise added before samples are rounded to fewer bits, so that the error is noise and not distortion; triangular (TPDF), two steps wide, here.",
			Document: "Lipshitz, Wannamaker, Vanderkooy, JAES 40(5) 1992 (from memory)",
			Trap:     "Dither once, at the last rounding: another rounding without dither distorts again.",
		},
		{
			Word: "stage", Also: []string{"kind", "chain"},
			Meaning:  "A chain file is a list of [[stage]] tables; the sound passes them from top to bottom. kind selects the type of stage; its other keys are its settings.",
			Document: "this program",
			Trap:     "Double brackets: [stage] would be a single table; [[stage]] adds one to the list.",
		},
		{
			Word:     "band",
			Meaning:  "One filter of an equaliser: a [[stage.band]] table below the [[stage]] with kind = \"equaliser\". Its keys are shape, centre_hz, gain_db and q.",
			Document: "this program",
			Trap:     "A [[stage.band]] belongs to the last [[stage]] above it.",
		},
		{
			Word: "name", Also: []string{"notes"},
			Meaning:  "Text in quotes. At the top of a chain file, name and notes describe the chain; in a stage, name is used in traces and messages.",
			Document: "this program",
			Trap:     "Names must be unique; a stage without a name gets that of its kind, numbered if there are several.",
		},
		{
			Word:     "schema",
			Meaning:  "Version of the chain file's own format: schema = 1 on the first line.",
			Document: "this program",
			Trap:     "A file of a newer schema is refused as a whole.",
		},
		{
			Word: "enabled", Also: []string{"bypass"},
			Meaning:  "enabled = false leaves a stage out: it is checked, but not built and not run. Default true.",
			Document: "this program",
			Trap:     "A disabled stage adds no latency either.",
		},
	}
}
