package take

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
)

// frameLevels are the levels of a take's 50 ms frames, a hop apart, in dBFS: of each
// channel, by which its pauses are found, and of the loudest one in each frame, so
// that who speaks is heard and a silent or an inverted channel takes nothing away.
// They are compared above the rumble, which hides the voice.
type frameLevels struct {
	powers  hopPowers // above the rumble
	before  []float64 // mean square of the hop before it; nil ahead of the first
	levels  [][]float64
	loudest []float64
}

func newFrameLevels(rate, channels int) frameLevels {
	return frameLevels{
		powers: newHopPowers(rate, channels, dsp.ButterworthHighPass(2, 80, float64(rate))),
		levels: make([][]float64, channels),
	}
}

func (l *frameLevels) write(b dsp.Block) { l.powers.write(b, l.endHop) }

func (l *frameLevels) endHop(meanSquares []float64) {
	first := l.before == nil
	if first {
		l.before = make([]float64, len(meanSquares))
	}
	loudest := math.Inf(-1)
	for c, mean := range meanSquares {
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
}
