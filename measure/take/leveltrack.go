package take

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
)

// levelTrack is a row of levels in hundredths of a dB (re full scale, mean square): two
// bytes each, so that the levels of a day fit into memory, in chunks that are never
// copied as it grows.
type levelTrack struct {
	chunks [][]int16
	n      int
}

const (
	trackChunk = 1 << 14
	// Levels are kept within these, in hundredths of a dB.
	lowestLevel, highestLevel = -20000, 10000
)

// add adds the level of a mean square.
func (t *levelTrack) add(meanSquare float64) {
	if t.n%trackChunk == 0 {
		t.chunks = append(t.chunks, make([]int16, trackChunk))
	}
	t.chunks[t.n/trackChunk][t.n%trackChunk] = hundredths(meanSquare)
	t.n++
}

func (t *levelTrack) at(i int) int16 { return t.chunks[i/trackChunk][i%trackChunk] }

// db is a level in dBFS.
func (t *levelTrack) db(i int) float64 { return float64(t.at(i)) / 100 }

// hundredths is the level of a mean square in hundredths of a dB.
func hundredths(meanSquare float64) int16 {
	if !(meanSquare > 0) {
		return lowestLevel
	}
	return int16(math.Round(max(lowestLevel, min(highestLevel, 100*dsp.PowerToDB(meanSquare)))))
}
