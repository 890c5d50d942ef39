package tune

import (
	"math"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/vector"
	"github.com/boothbench/boothbench/dsp/wave"
)

// pitch finds the pitch of the lowest voice of a take: the 5th percentile of the pitch of its
// voiced frames. The pitch of a frame is the first peak of the normalised autocorrelation of 50
// ms, between 50 and 900 Hz, that reaches 0.9 of the best one between 55 and 400 Hz. A frame is
// voiced where that best one is at least 0.6. Frames more than 20 dB below the loudest
// twentieth do not count, because hum in pauses is as periodic as a voice. Nor do pure tones,
// such as the low one of a closing door: they are inverted half a period later, unlike a voice
// with harmonics. (own choice of the constants)
type pitch struct {
	lowPass  *dsp.Cascade
	highPass *dsp.Cascade // at the reduced rate
	work     dsp.Block
	step     int // frames of the take for each frame kept
	rate     float64
	phase    int
	kept     []float64
	voiced   [pitchLevels][400]int32 // frames by level in dB under full scale, and by pitch in Hz
}

const (
	pitchLowHz, pitchHighHz = 55, 400
	pitchRate               = 4000 // Hz, about
	leastVoicedSeconds      = 3
	pitchFrameMs            = 50
	pitchLevels             = 120
	softestVoiceDB          = 20
	pureTone                = 0.9 // autocorrelation after half a period, inverted
)

func newPitch(f wave.Format) *pitch {
	fs := float64(f.Rate)
	p := &pitch{lowPass: dsp.NewCascade(dsp.ButterworthLowPass(4, min(900, 0.4*fs), fs), 1), work: dsp.NewBlock(1, 4096), step: max(1, f.Rate/pitchRate)}
	p.rate = fs / float64(p.step)
	p.highPass = dsp.NewCascade(dsp.ButterworthHighPass(2, 50, p.rate), 1)
	return p
}

func (p *pitch) write(b dsp.Block) {
	gains := make([]float64, len(b))
	for c := range b {
		if gains[c] = 1; c > 0 && inverted(b[0], b[c]) {
			gains[c] = -1 // otherwise they would cancel
		}
	}
	had := len(p.kept)
	for from := 0; from < b.Frames(); from += 4096 {
		n := min(4096, b.Frames()-from)
		x := dsp.Block{p.work[0][:n]}
		copy(x[0], b[0][from:])
		for c, gain := range gains[1:] {
			for i, v := range b[c+1][from : from+n] {
				x[0][i] += float64(gain * v)
			}
		}
		p.lowPass.Process(x)
		at := p.step - 1 - p.phase
		for ; at < n; at += p.step {
			p.kept = append(p.kept, x[0][at])
		}
		p.phase = n - 1 - (at - p.step)
	}
	p.highPass.Process(dsp.Block{p.kept[had:]})
	window := int(p.rate * pitchFrameMs / 1000)
	longest := int(p.rate / pitchLowHz)
	at := 0
	for ; at+window+longest <= len(p.kept); at += window {
		if hz, power := pitchOf(p.kept[at:at+window+longest], window, p.rate); hz > 0 {
			under := int(max(0, min(pitchLevels-1, -dsp.PowerToDB(power))))
			p.voiced[under][min(len(p.voiced[0])-1, int(hz))]++
		}
	}
	p.kept = slices.Delete(p.kept, 0, at)
}

// inverted reports whether a channel is mostly the inverse of another one: a correlation under
// −0.5.
func inverted(x, y []float64) bool {
	product, xx, yy := 0.0, 0.0, 0.0
	for n, v := range x {
		product, xx, yy = product+float64(v*y[n]), xx+float64(v*v), yy+float64(y[n]*y[n])
	}
	return product < -0.5*math.Sqrt(xx*yy)
}

// pitchOf returns the pitch in Hz and the mean square of a frame; 0 Hz: unvoiced. X holds the
// frame, and after it as many samples as the longest lag.
func pitchOf(x []float64, window int, rate float64) (hz, power float64) {
	first, last := int(rate/pitchHighHz), len(x)-window
	energy := 0.0
	for _, v := range x[:window] {
		energy += v * v
	}
	power = energy / float64(window)
	if power < 1e-12 {
		return 0, power
	}
	var r [256]float64
	last = min(last, len(r)-1)
	best, shifted := 0.0, 0.0
	for _, v := range x[first : first+window] {
		shifted += v * v
	}
	shiftedBy := func(lag int) []float64 { return x[lag : lag+window] }
	for lag := first; lag <= last; lag += 4 {
		sums := vector.Dots4(x[:window], shiftedBy(lag), shiftedBy(min(last, lag+1)), shiftedBy(min(last, lag+2)), shiftedBy(min(last, lag+3)))
		copy(r[lag:last+1], sums[:])
	}
	for lag := first; lag <= last; lag++ {
		r[lag] /= math.Sqrt(energy * max(shifted, 1e-30))
		best = max(best, r[lag])
		if lag+window < len(x) {
			shifted += x[lag+window]*x[lag+window] - x[lag]*x[lag]
		}
	}
	if best < 0.6 {
		return 0, power
	}
	for lag := first + 1; lag < last; lag++ {
		if r[lag] >= 0.9*best && r[lag] >= r[lag-1] && r[lag] >= r[lag+1] {
			if r[max(first, lag/2)] < -pureTone {
				return 0, power
			}
			return rate / float64(lag), power
		}
	}
	return 0, power
}

// lowest returns the 5th percentile of the pitch in Hz, and the voiced time in seconds.
func (p *pitch) lowest() (hz, seconds float64) {
	all := int32(0)
	for _, frames := range p.voiced {
		all += sumOf(frames[:])
	}
	var counted [len(p.voiced[0])]int32
	softest, seen := pitchLevels, int32(0)
	for under, frames := range p.voiced {
		if seen += sumOf(frames[:]); softest == pitchLevels && float64(seen) >= 0.05*float64(all) {
			softest = under + softestVoiceDB
		}
		if under <= softest {
			for hz, n := range frames {
				counted[hz] += n
			}
		}
	}
	total := sumOf(counted[:])
	seconds = float64(total) * pitchFrameMs / 1000
	seen = 0
	for hz, n := range counted {
		if seen += n; n > 0 && float64(seen) >= 0.05*float64(total) {
			return float64(hz), seconds
		}
	}
	return 0, seconds
}

func sumOf(counts []int32) (sum int32) {
	for _, n := range counts {
		sum += n
	}
	return sum
}
