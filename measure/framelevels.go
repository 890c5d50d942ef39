package measure

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
)

// frameLevels are the levels of a take's 50 ms frames, a hop apart, in dBFS: of each
// channel, by which its pauses are found, and of the loudest one in each frame, so
// that who speaks is heard and a silent or an inverted channel takes nothing away.
// They are compared above the rumble, which hides the voice.
type frameLevels struct {
	rumble  *dsp.Cascade
	work    dsp.Block
	hop     int       // frames
	filled  int       // of the running hop
	energy  []float64 // of the running hop, by channel
	before  []float64 // mean square of the hop before it; nil ahead of the first
	levels  [][]float64
	loudest []float64
}

func newFrameLevels(rate, channels int) frameLevels {
	return frameLevels{
		rumble: dsp.NewCascade(dsp.ButterworthHighPass(2, 80, float64(rate)), channels),
		work:   dsp.NewBlock(channels, rate*hopMs/1000), hop: rate * hopMs / 1000, energy: make([]float64, channels), levels: make([][]float64, channels),
	}
}

func (l *frameLevels) write(b dsp.Block) {
	for from := 0; from < b.Frames(); {
		n := min(b.Frames()-from, l.hop-l.filled)
		for c := range l.work {
			l.work[c] = l.work[c][:n]
			copy(l.work[c], b[c][from:])
		}
		l.rumble.Process(l.work)
		for c, plane := range l.work {
			for _, x := range plane {
				l.energy[c] += x * x
			}
		}
		from += n
		if l.filled += n; l.filled == l.hop {
			l.endHop()
		}
	}
}

func (l *frameLevels) endHop() {
	first := l.before == nil
	if first {
		l.before = make([]float64, len(l.energy))
	}
	loudest := math.Inf(-1)
	for c, energy := range l.energy {
		mean := energy / float64(l.hop)
		db := dsp.PowerToDB(min(1e20, max(1e-20, (l.before[c]+mean)/2)))
		l.before[c] = mean
		if !first {
			l.levels[c] = append(l.levels[c], db)
			loudest = max(loudest, db)
		}
	}
	if !first {
		l.loudest = append(l.loudest, loudest)
	}
	clear(l.energy)
	l.filled = 0
}
