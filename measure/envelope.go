package measure

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
)

// Envelope is the meter for the picture of a waveform. It divides the sound into a
// bounded number of columns, and keeps the smallest and the largest sample of each, over
// all channels. Its memory does not depend on the length of the sound.
type Envelope struct {
	columns   int
	perColumn int64 // frames
	filled    int64 // of the last column
	low, high []float64
}

// NewEnvelope makes the meter. It has an even number of columns, at most the given one. A
// sound with as many frames fills at least half of them.
func NewEnvelope(columns int) *Envelope { return &Envelope{columns: max(2, columns&^1), perColumn: 1} }

// Write takes the next block.
func (e *Envelope) Write(b dsp.Block) {
	mustFit("Envelope", b, len(b))
	if e.columns == 0 {
		panic("measure: Envelope.Write: found an Envelope without columns; accepted: one of NewEnvelope")
	}
	for from := 0; from < b.Frames(); {
		if e.filled == 0 {
			if len(e.low) == e.columns {
				e.halve()
			}
			e.low, e.high = append(e.low, math.Inf(1)), append(e.high, math.Inf(-1))
		}
		to := from + int(min(int64(b.Frames()-from), e.perColumn-e.filled))
		k := len(e.low) - 1
		low, high := e.low[k], e.high[k]
		for _, plane := range b {
			for _, v := range plane[from:to] {
				low, high = min(low, v), max(high, v)
			}
		}
		e.low[k], e.high[k] = low, high
		if e.filled += int64(to - from); e.filled == e.perColumn {
			e.filled = 0
		}
		from = to
	}
}

// halve joins pairs of columns. Their number is even, and all are full.
func (e *Envelope) halve() {
	for i := range e.columns / 2 {
		e.low[i], e.high[i] = min(e.low[2*i], e.low[2*i+1]), max(e.high[2*i], e.high[2*i+1])
	}
	e.low, e.high, e.perColumn = e.low[:e.columns/2], e.high[:e.columns/2], 2*e.perColumn
}

// Columns returns the smallest and the largest sample of each column, and the number of
// frames in a column. The last column may have fewer.
func (e *Envelope) Columns() (low, high []float64, frames int64) { return e.low, e.high, e.perColumn }
