package measure

import (
	"fmt"
	"math"
	"slices"
	"sync"

	"github.com/boothbench/boothbench/dsp"
)

// TruePeak measures the sample peak and the true peak: by the interpolator of
// Rec. ITU-R BS.1770-5 Annex 2 as printed, and by a far longer and finer one.
// The sound is taken as silent before its first frame and after its last.
type TruePeak struct {
	rate, frames int64
	channels     []peakChannel
	skip         bool // leave out what cannot be larger; off in a test
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
	heard        []float64 // the frames that coming intervals reach back to, and room for a chunk
}

// peakReader follows the largest reading of one interpolator.
type peakReader struct {
	bank           *dsp.Polyphase
	l1, flat, bend float64
	coarse         *dsp.Polyphase // every 16th place of bank, or nil
	between        float64        // what is missed by coarse: |reading| ≤ coarse reading + between · |sample|

	largest float64
	frame   int64
}

// NewTruePeak makes a meter for a rate in Hz and a number of channels.
func NewTruePeak(rate, channels int) (*TruePeak, error) {
	if rate < 1 || channels < 1 || channels > dsp.MaxChannels {
		return nil, fmt.Errorf("true peak: found %d channels at %d Hz; accepted: 1 to %d channels", channels, rate, dsp.MaxChannels)
	}
	t := &TruePeak{rate: int64(rate), channels: make([]peakChannel, channels), skip: true, nonFinite: -1}
	short, long := newPeakReader(annex2()), fineReader()
	for c := range t.channels {
		t.channels[c] = peakChannel{annex2: short, fine: long, heard: make([]float64, fineTaps-1+peakChunk)}
	}
	return t, nil
}

func newPeakReader(b *dsp.Polyphase) peakReader {
	r := peakReader{bank: b, l1: b.L1()}
	r.flat, r.bend = b.Bound()
	return r
}

// fineReader is the reader of fineSinc, whose making takes milliseconds, so that
// it is made once.
var fineReader = sync.OnceValue(func() peakReader {
	r := newPeakReader(fineSinc())
	r.coarse, r.between = coarsened(r.bank)
	return r
})

// coarsened returns a bank of every 16th row, and a bound on what it misses: a
// reading as a function of the place has a second derivative of at most the L1
// norm of the kernel's, so between places 1/4 apart it rises by at most (1/4)²/8
// of that over the larger of its neighbours.
func coarsened(b *dsp.Polyphase) (*dsp.Polyphase, float64) {
	var positions []float64
	var rows [][]float64
	curvature := 0.0
	for p := range b.Rows() {
		if p%16 == 15 {
			positions, rows = append(positions, b.Position(p)), append(rows, b.Row(p))
		}
		if p > 0 && p < b.Rows()-1 {
			before, row, after := b.Row(p-1), b.Row(p), b.Row(p+1)
			sum := 0.0
			for j := range row {
				sum += math.Abs(before[j]-2*row[j]+after[j]) * finePhases * finePhases
			}
			curvature = max(curvature, sum)
		}
	}
	// The largest may lie between two rows: 2 % more than was seen.
	return bank(positions, rows), 1.02 * curvature / (16 * 8)
}

const (
	peakChunk = 1024 // frames looked at in one go
	peakCell  = 32   // frames whose largest values are kept together
	mostCells = (fineTaps + peakChunk + peakCell) / peakCell
)

// Write takes the next block.
func (t *TruePeak) Write(b dsp.Block) {
	for c, plane := range b {
		t.write(&t.channels[c], plane, t.frames)
	}
	t.frames += int64(b.Frames())
}

func (t *TruePeak) write(c *peakChannel, x []float64, frame int64) {
	const kept = fineTaps - 1
	for len(x) > 0 {
		n := min(len(x), peakChunk)
		copy(c.heard[kept:], x[:n])
		s := stretch{heard: c.heard[:kept+n], frame: frame - kept}
		s.survey()
		t.samplePeak(c, s, x[:n], frame)
		c.annex2.look(&s, t.skip)
		if !t.onlyAnnex2 {
			c.fine.look(&s, t.skip)
		}
		copy(c.heard, c.heard[n:kept+n])
		x, frame = x[n:], frame+int64(n)
	}
}

func (t *TruePeak) samplePeak(c *peakChannel, s stretch, x []float64, frame int64) {
	peak := s.peak(0, len(s.heard))
	if peak <= c.sample.largest { // false for NaN too
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

// stretch is sound that is looked at in one go, and the largest values of its
// cells: of |sample|, and of |second difference| once that was asked for.
type stretch struct {
	heard    []float64
	frame    int64 // of heard[0]
	peaks    [mostCells]float64
	flexures [mostCells]float64
	flexed   bool
}

func (s *stretch) survey() {
	for k := 0; k*peakCell < len(s.heard); k++ {
		s.peaks[k] = peakOf(s.heard[k*peakCell : min(len(s.heard), (k+1)*peakCell)])
	}
}

// peak is the largest |sample| from … to−1, or a little around.
func (s *stretch) peak(from, to int) float64 {
	return largestOf(s.peaks[from/peakCell : (to-1)/peakCell+1])
}

// flexure is the largest |second difference| from … to−1, or a little around.
func (s *stretch) flexure(from, to int) float64 {
	if !s.flexed {
		s.flexed = true
		for k := 0; k*peakCell < len(s.heard); k++ {
			s.flexures[k] = flexureOf(s.heard[max(0, k*peakCell-1):min(len(s.heard), (k+1)*peakCell+1)])
		}
	}
	return largestOf(s.flexures[from/peakCell : (to-1)/peakCell+1])
}

func largestOf(x []float64) float64 {
	largest := x[0]
	for _, v := range x[1:] {
		if v > largest || v != v {
			largest = v
		}
	}
	return largest
}

// peakOf is the largest |sample|; the bits of positive numbers order as they do.
func peakOf(x []float64) float64 {
	var largest uint64
	for _, v := range x {
		largest = max(largest, math.Float64bits(v)<<1)
	}
	return math.Float64frombits(largest >> 1)
}

// flexureOf is the largest |second difference|.
func flexureOf(x []float64) float64 {
	var largest uint64
	for i := 2; i < len(x); i++ {
		largest = max(largest, math.Float64bits((x[i-2]+x[i])-2*x[i-1])<<1)
	}
	return math.Float64frombits(largest >> 1)
}

// look reads the intervals that the newest frames of the stretch complete,
// those of which it can be that they hold more than the largest so far.
func (r *peakReader) look(s *stretch, skip bool) {
	half := r.bank.Half()
	first := fineTaps - 2*half // where the window of the first new interval begins
	last := len(s.heard) - 2*half
	for from := first; from <= last; from += peakCell {
		to := min(last, from+peakCell-1)
		peak := s.peak(from, to+2*half)
		if skip && peak*r.l1 <= r.largest {
			continue
		}
		bend := r.bend * s.flexure(from, to+2*half)
		if skip && r.flat*peak+bend <= r.largest {
			continue
		}
		for i := from; i <= to; i++ {
			r.read(s, i, peak, bend, skip)
		}
	}
}

func (r *peakReader) read(s *stretch, i int, peak, bend float64, skip bool) {
	half := r.bank.Half()
	if skip && !r.canExceed(r.largest, s.heard[i:i+2*half], peak, bend) {
		return
	}
	if v := r.bank.Peak(s.heard[i : i+2*half]); v > r.largest {
		r.largest, r.frame = v, s.frame+int64(i+half-1)
	}
}

// canExceed tells whether the reading of a window may exceed a limit: peak is at
// least its largest |sample|, bend r.bend times its largest |second difference|.
func (r *peakReader) canExceed(limit float64, window []float64, peak, bend float64) bool {
	half := r.bank.Half()
	near := max(math.Abs(window[half-1]), math.Abs(window[half]))
	if r.flat*near+bend <= limit {
		return false
	}
	return r.coarse == nil || !(max(near, r.coarse.Peak(window))+r.between*peak <= limit)
}

// Readings returns sample_peak_dbfs, true_peak_dbtp (the larger of the sample
// peak and the Annex 2 reading), true_peak_annex2_dbtp (that interpolator
// alone, which can read less than the sample peak) and true_peak_fine_dbtp.
func (t *TruePeak) Readings() Readings {
	var sample, annex2, fine, reported largest
	for i := range t.channels {
		c := t.channels[i] // a copy: what follows the last frame is not kept
		c.heard = slices.Clone(c.heard)
		t.write(&c, make([]float64, fineTaps/2), t.frames)
		sample.offer(c.sample.largest, c.sample.frame, i)
		annex2.offer(c.annex2.largest, c.annex2.frame, i)
		reported.offer(c.sample.largest, c.sample.frame, i)
		reported.offer(c.annex2.largest, c.annex2.frame, i)
		fine.offer(c.sample.largest, c.sample.frame, i)
		fine.offer(c.fine.largest, c.fine.frame, i)
	}
	const fullScale = "digital full scale, peak"
	return Readings{
		t.reading("sample_peak_dbfs", "dBFS", fullScale, "largest |sample|", "", sample),
		t.reading("true_peak_dbtp", "dBTP", fullScale, "Rec. ITU-R BS.1770-5 Annex 2, or the sample peak if larger", "4-fold: up to 0.55 dB under the wave at 0.45 of the rate (Annex 2, Attachment 1)", reported),
		t.reading("true_peak_annex2_dbtp", "dBTP", fullScale, "Rec. ITU-R BS.1770-5 Annex 2, the interpolator alone", "can read 0.25 dB under the sample peak and up to 0.23 dB over the wave", annex2),
		t.reading("true_peak_fine_dbtp", "dBTP", fullScale, "windowed sinc, 256 taps, Kaiser beta 10, 64 places an interval, and the samples", fineBound, fine),
	}
}

// tooLarge is said of finite samples whose interpolation is not.
const tooLarge = "the samples are too large to be interpolated"

// largest is the largest of several channels' readings.
type largest struct {
	value   float64
	frame   int64
	channel int
}

func (l *largest) offer(value float64, frame int64, channel int) {
	if value > l.value {
		*l = largest{value, frame, channel}
	}
}

func (t *TruePeak) reading(name, unit, reference, definition, bound string, l largest) Named {
	r := Reading{Unit: unit, Reference: reference, Weighting: "none", Definition: definition, Bound: bound, Frame: l.frame, Channel: l.channel}
	switch {
	case t.nonFinite >= 0:
		r.Reason = fmt.Sprintf("NaN or infinite sample at frame %d", t.nonFinite)
	case t.frames == 0:
		r.Reason = "no sound: 0 frames"
	case l.value == 0:
		r.Reason = "silence"
	case math.IsInf(l.value, 1):
		r.Reason = tooLarge
	default:
		r.Value = dsp.AmplitudeToDB(l.value)
		r.Frame = max(0, min(l.frame, t.frames-1))
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
