package chain

import "fmt"

// term is a unit or a word of the trade, with the document that defines it and
// the trap it sets.
type term struct {
	names                  []string
	meaning, source, avoid string
}

func (t term) explain() string {
	return fmt.Sprintf("%s: %s\n  source: %s\n  trap: %s\n", t.names[0], t.meaning, t.source, t.avoid)
}

var terms = []term{
	{[]string{"dBFS"}, "level against digital full scale. In this program peak dBFS: a sine that reaches full scale peaks at 0 dBFS; rms levels are the mathematical root mean square against full scale, so that sine's is -3.01 dBFS",
		"IEC 61606-3 and AES17 3.12 define dBFS by the rms of a full-scale sine", "in AES17's dBFS the same sine's rms is 0: for noise the two differ by 3.01 dB, so say which"},
	{[]string{"dBTP", "true_peak_dbtp", "true-peak"}, "true peak: the largest value of the wave between the samples, against full scale",
		"Rec. ITU-R BS.1770-5 Annex 2", "a fourfold reading can stay 0.69 dB under the wave; a limiter needs a finer one to be proven"},
	{[]string{"sample-peak", "sample_peak_dbfs"}, "the largest |sample|, in dBFS", "AES17", "the wave between the samples can be higher: 3.01 dB for a sine at a quarter of the rate"},
	{[]string{"LUFS", "integrated_lufs"}, "loudness, units relative to full scale: K-weighted, gated mean over the programme", "Rec. ITU-R BS.1770-5, EBU R 128",
		"a mono file measured as one channel reads 3.01 LU less than the same voice on two"},
	{[]string{"LU", "loudness_range_lu"}, "loudness unit: a difference of 1 LU is one of 1 dB; loudness range is the spread of short-term loudness", "EBU Tech 3341, Tech 3342",
		"loudness range says little under a minute of programme"},
	{[]string{"dBu"}, "voltage against 0.7746 V rms (the square root of 0.6)", "IEC 60027-3 (from memory)", "0 dBV is +2.218 dBu: naming the wrong one moves a figure by 2.2 dB"},
	{[]string{"dBV"}, "voltage against 1 V rms", "IEC 60027-3 (from memory)", "0 dBV is +2.218 dBu"},
	{[]string{"dB"}, "a ratio: 20 log10 of amplitudes, 10 log10 of powers; 6.02 dB doubles an amplitude", "ISO 80000-3 (from memory)", "a bare dB is no level: say against what"},
	{[]string{"Hz"}, "cycles per second", "SI", "a filter's frequency must lie below half the sample rate (the Nyquist frequency)"},
	{[]string{"ms"}, "thousandth of a second; times become whole frames, to the nearest", "SI", "the same time is another number of frames at another rate"},
	{[]string{"frame", "frames"}, "one sample of every channel at one time", "common usage", "a stereo file has two samples a frame"},
	{[]string{"latency"}, "by how many frames the output lags the input. Look-ahead makes it; the engine removes it unless --keep-delay is given", "AES17 6.8.2 (delay)",
		"a filter's group delay depends on frequency and is not latency"},
	{[]string{"attack"}, "time constant of a gain's answer to a rise in level: 63.2 % (1 - 1/e) of the change in dB. In a compressor the gain falls, in an expander it rises",
		"Giannoulis, Massberg, Reiss, JAES 60(6) 2012", "other definitions exist (10 to 90 %, within 2 dB of the end): 10 ms here is 22 ms from 10 to 90 %"},
	{[]string{"release"}, "time constant of a gain's answer to a fall in level: 63.2 % (1 - 1/e) of the change in dB", "Giannoulis, Massberg, Reiss, JAES 60(6) 2012",
		"it begins when the detector's window and the hold have passed"},
	{[]string{"knee"}, "the soft bend of a static curve around the threshold; its width is in dB", "Giannoulis, Massberg, Reiss, JAES 60(6) 2012", "with a knee, the curve bends half its width before the threshold"},
	{[]string{"ceiling"}, "the level that a limiter's output does not exceed", "EBU R 128 asks for -1 dBTP", "resampling or lossy coding afterwards can exceed it again"},
	{[]string{"dither"}, "noise added before a sample is rounded to fewer bits, so that the error is noise and not distortion", "Lipshitz, Wannamaker, Vanderkooy, JAES 40(5) 1992",
		"add it once, last: 16-bit dither noise is at -96.3 dBFS rms"},
	{[]string{"q"}, "quality of a resonance: centre frequency over bandwidth", "W3C Audio EQ Cookbook", "a bell's bandwidth is taken where half its gain in dB is left"},
}
