package measure

import (
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/internal/planes"
)

// TruePeak measures the sample peak and the true peak: by the interpolator of
// Rec. ITU-R BS.1770-5 Annex 2 as printed, and by a far longer and finer one.
// The sound is taken as silent before its first frame and after its last.
type TruePeak struct {
	rate, frames int64
	channels     []peakChannel
	skip         bool // skip intervals that bounds exclude; off in a test
	onlyAnnex2   bool // for the benchmark against a meter that has no more
	nonFinite    int64
}

// peakChannel is what is known of one channel.
type peakChannel struct {
	sample struct {
		largest float64
		frame   int64
	}
	annex2, fine peakReader
	recent       stretch
}

// NewTruePeak makes a meter for a rate in Hz and a number of channels.
func NewTruePeak(rate, channels int) (*TruePeak, error) {
	if rate < 1 {
		return nil, fmt.Errorf("true peak: found a rate of %d Hz; accepted: 1 Hz and more", rate)
	}
	if channels < 1 || channels > dsp.MaxChannels {
		return nil, fmt.Errorf("true peak: found %s; accepted: 1 to %d", dsp.Plural(channels, "channel"), dsp.MaxChannels)
	}
	t := &TruePeak{rate: int64(rate), channels: make([]peakChannel, channels), skip: true, nonFinite: -1}
	short, long := newPeakReader(annex2()), fineReader()
	for c := range t.channels {
		t.channels[c] = peakChannel{annex2: short, fine: long}
	}
	return t, nil
}

// Write takes the next block.
func (t *TruePeak) Write(b dsp.Block) {
	mustFit("TruePeak", b, len(t.channels))
	for c, plane := range b {
		t.write(&t.channels[c], plane, t.frames)
	}
	t.frames += int64(b.Frames())
}

func (t *TruePeak) write(c *peakChannel, x []float64, frame int64) {
	for len(x) > 0 {
		n := min(len(x), peakChunk)
		s := &c.recent
		s.take(x[:n], frame)
		t.samplePeak(c, x[:n], frame)
		c.annex2.look(s, t.skip)
		if !t.onlyAnnex2 {
			c.fine.look(s, t.skip)
		}
		x, frame = x[n:], frame+int64(n)
	}
}

func (t *TruePeak) samplePeak(c *peakChannel, x []float64, frame int64) {
	if c.recent.top <= c.sample.largest { // false for NaN too
		return
	}
	for i, v := range x {
		if v-v != 0 {
			if t.nonFinite < 0 || frame+int64(i) < t.nonFinite {
				t.nonFinite = frame + int64(i)
			}
			return
		}
		if v = math.Abs(v); v > c.sample.largest {
			c.sample.largest, c.sample.frame = v, frame+int64(i)
		}
	}
}

// Readings returns sample_peak_dbfs, true_peak_dbtp (the larger of the sample
// peak and the Annex 2 reading), true_peak_annex2_dbtp (that interpolator
// alone, which can read less than the sample peak) and true_peak_fine_dbtp.
func (t *TruePeak) Readings() Readings {
	var sample, annex2, fine, reported planes.Largest
	for i := range t.channels {
		c := t.channels[i] // a copy: what follows the last frame is not kept
		c.recent = c.recent.clone()
		t.write(&c, make([]float64, fineTaps/2), t.frames)
		sample.Offer(c.sample.largest, c.sample.frame, i)
		annex2.Offer(c.annex2.largest, c.annex2.frame, i)
		reported.Offer(c.sample.largest, c.sample.frame, i)
		reported.Offer(c.annex2.largest, c.annex2.frame, i)
		fine.Offer(c.sample.largest, c.sample.frame, i)
		fine.Offer(c.fine.largest, c.fine.frame, i)
	}
	const fullScale = "digital full scale, peak"
	return Readings{
		t.reading("sample_peak_dbfs", "dBFS", fullScale, "largest |sample|", "", sample),
		t.reading("true_peak_dbtp", "dBTP", fullScale, "Rec. ITU-R BS.1770-5 Annex 2, or the sample peak if larger", "4-fold: up to 0.55 dB under the wave at 0.45 of the rate (Annex 2, Attachment 1)", reported),
		t.reading("true_peak_annex2_dbtp", "dBTP", fullScale, "Rec. ITU-R BS.1770-5 Annex 2, the interpolator alone", "can read 0.25 dB under the sample peak and up to 0.23 dB over the wave", annex2),
		t.reading("true_peak_fine_dbtp", "dBTP", fullScale, fmt.Sprintf("windowed sinc, %d taps, Kaiser beta %d, %d places an interval, and the samples", fineTaps, fineBeta, finePhases), fineBound, fine),
	}
}

// tooLarge is said of finite samples whose interpolation is not.
const tooLarge = "the samples are too large to be interpolated"

func (t *TruePeak) reading(name, unit, reference, definition, bound string, l planes.Largest) Named {
	r := Reading{Unit: unit, Reference: reference, Weighting: "none", Definition: definition, Bound: bound, Frame: l.Frame, Channel: l.Channel}
	switch {
	case t.nonFinite >= 0:
		r.Reason = fmt.Sprintf("NaN or infinite sample at frame %d", t.nonFinite)
	case t.frames == 0:
		r.Reason = "no sound: 0 frames"
	case l.Value == 0:
		r.Reason, r.Beyond = "silence", -1 // under every limit
	case math.IsInf(l.Value, 1):
		r.Reason = tooLarge
	default:
		r.Value = dsp.AmplitudeToDB(l.Value)
		r.Frame = max(0, min(l.Frame, t.frames-1))
	}
	return Named{name, r}
}

// PeakToLoudness is peak_to_loudness_lu: the true peak less the integrated
// loudness, from readings that hold both.
func PeakToLoudness(r Readings) Named {
	n := Named{"peak_to_loudness_lu", Reading{
		Unit: "LU", Reference: "integrated loudness", Weighting: "K for the loudness, none for the peak",
		Definition: "true_peak_dbtp less integrated_lufs (AES TD1008)", Frame: -1, Channel: -1,
	}}
	peak, _ := r.Get("true_peak_dbtp")
	loudness, _ := r.Get("integrated_lufs")
	switch {
	case !peak.Measurable():
		n.Reason = "true_peak_dbtp: " + peak.Reason
	case !loudness.Measurable():
		n.Reason = "integrated_lufs: " + loudness.Reason
	default:
		n.Value = peak.Value - loudness.Value
	}
	return n
}
