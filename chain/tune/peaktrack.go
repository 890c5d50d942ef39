package tune

import (
	"math"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/vector"
	"github.com/boothbench/boothbench/dsp/wave"
)

// peakTrack holds the sample peaks that a compressor and a limiter are set by, behind a
// high-pass: since its corner follows from the whole take, behind the lowest and the highest. The peaks are
// those of stretches of 10 s. All of the first minute is covered, and then three stretches
// of every doubling of the time, since six from all over the take are used, and its length
// is known at its end only.
type peakTrack struct {
	milliseconds
	covered []int // the stretches that are covered, by number
	corners [len(peakCornersHz)]cornerPeaks
	level   []int16 // of the stretches, one after the other, behind the corner that was chosen
}

// cornerPeaks are the peaks behind one high-pass.
type cornerPeaks struct {
	sound   *dsp.Cascade
	work    dsp.Block
	running float64
	level   []int16
}

// peakCornersHz are the bounds of the corner of a proposal.
var peakCornersHz = [...]float64{leastCornerHz, mostCornerHz}

const (
	peakStretchMs   = 10_000
	wholeStretches  = 6 // from the beginning
	usedStretches   = 6
	stretchesEachOf = 3 // of every doubling of the time
	// The filters run this long ahead of a stretch: that of 40 Hz has settled by 150 dB then.
	peakSettleMs = 100
)

// hasPeaks reports whether the track covers a millisecond.
func hasPeaks(ms int) bool {
	stretch := ms / peakStretchMs
	if stretch < wholeStretches {
		return true
	}
	step := 1
	for 2*step*stretchesEachOf <= stretch {
		step *= 2
	}
	return stretch%step == 0
}

func newPeakTrack(f wave.Format) *peakTrack {
	t := &peakTrack{milliseconds: newMilliseconds(f.Rate)}
	for k, hz := range peakCornersHz {
		t.corners[k] = cornerPeaks{work: make(dsp.Block, f.Channels), sound: dsp.NewCascade(dsp.ButterworthHighPass(2, min(hz, 0.4*float64(f.Rate)), float64(f.Rate)), f.Channels)}
	}
	return t
}

func (t *peakTrack) write(b dsp.Block) {
	covers := func(ms int) bool { return hasPeaks(ms) || hasPeaks(ms+peakSettleMs) }
	for from := 0; from < b.Frames() && t.count < mostTrackMs; {
		// The frames up to where the cover changes are filtered at once.
		covered, until := covers(t.count), t.count+1
		for until < mostTrackMs && covers(until) == covered && t.start(until)-t.frame < int64(b.Frames()-from) {
			until++
		}
		n := min(b.Frames()-from, int(t.start(until)-t.frame))
		if covered {
			for k := range t.corners {
				t.corners[k].filter(b, from, from+n)
			}
		}
		t.read(n, covered)
		from += n
	}
}

// filter takes frames of a block.
func (p *cornerPeaks) filter(b dsp.Block, from, to int) {
	for c := range b {
		p.work[c] = append(p.work[c][:0], b[c][from:to]...)
	}
	p.sound.Process(p.work)
}

// read enters filtered frames.
func (t *peakTrack) read(frames int, covered bool) {
	for from := 0; from < frames; {
		ms := t.count
		n := min(frames-from, int(t.end-t.frame))
		keep := covered && hasPeaks(ms)
		if keep {
			for k := range t.corners {
				p := &t.corners[k]
				for c := range p.work {
					p.running = max(p.running, vector.Peak(p.work[c][from:from+n]))
				}
			}
		}
		from += n
		if t.advance(n) && keep {
			if stretch := ms / peakStretchMs; len(t.covered) == 0 || t.covered[len(t.covered)-1] != stretch {
				t.covered = append(t.covered, stretch)
			}
			for k := range t.corners {
				p := &t.corners[k]
				p.level = append(p.level, centibels(p.running*p.running))
				p.running = 0
			}
		}
	}
}

// behind sets the level to what it is behind a high-pass: on the line, in dB, between the
// two corners next to its own.
func (t *peakTrack) behind(hz float64) {
	hz = max(peakCornersHz[0], min(peakCornersHz[len(peakCornersHz)-1], hz))
	k := 0
	for k < len(peakCornersHz)-2 && hz > peakCornersHz[k+1] {
		k++
	}
	share := (hz - peakCornersHz[k]) / (peakCornersHz[k+1] - peakCornersHz[k])
	low, high := t.corners[k].level, t.corners[k+1].level
	t.level = make([]int16, len(low))
	for i := range low {
		t.level[i] = int16(math.Round(float64(low[i]) + share*float64(high[i]-low[i])))
	}
}

// pieces are the stretches, in milliseconds, that thresholds are solved on: of those
// that are covered the nearest to six that lie evenly all over the take.
func (t *peakTrack) pieces() (pieces [][2]int) {
	for _, k := range t.used() {
		from := t.covered[k] * peakStretchMs
		pieces = append(pieces, [2]int{from, from + len(t.stretch(k))})
	}
	return pieces
}

// stretch are the peaks of one of the stretches that are covered.
func (t *peakTrack) stretch(k int) []int16 {
	return t.level[k*peakStretchMs : min(len(t.level), (k+1)*peakStretchMs)]
}

// used are the stretches that are used, as indices of those that are covered.
func (t *peakTrack) used() (used []int) {
	n := len(t.covered)
	if n <= usedStretches {
		for k := range n {
			used = append(used, k)
		}
		return used
	}
	last := t.covered[n-1]
	for i := range usedStretches {
		at := i * last / (usedStretches - 1)
		k, found := slices.BinarySearch(t.covered, at)
		if !found && k > 0 && at-t.covered[k-1] < t.covered[k]-at {
			k--
		}
		used = append(used, k)
	}
	return slices.Compact(used)
}

// peaks are those of the pieces, one after the other.
func (t *peakTrack) peaks() (all []int16) {
	for _, k := range t.used() {
		all = append(all, t.stretch(k)...)
	}
	return all
}

// excerpt are the pieces of a track of the whole take, one after the other; 0 where the
// track is nil.
func (t *peakTrack) excerpt(track []int16) (part []int16) {
	for _, p := range t.pieces() {
		if n := p[1] - p[0]; track == nil {
			part = append(part, make([]int16, n)...)
		} else {
			part = append(part, track[min(len(track), p[0]):min(len(track), p[1])]...)
		}
	}
	return part
}
