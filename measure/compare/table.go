package compare

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
)

// ThirdOctaves is a table of both sounds by third octave (IEC 61260-1): the level of A,
// of B on A's level, and of their difference, in dBFS (rms); the response of B against A
// in dB, the median of the bands 0, where B follows A, and how much of B does, 0 to 1.
// Sounds that are not one have no rows.
func (c *Comparison) ThirdOctaves() measure.Table {
	t := measure.Table{Columns: []string{"frequency_hz", "a_dbfs", "b_dbfs", "difference_dbfs", "response_db", "coherence"}}
	if c.spectrum == nil {
		return t
	}
	followed, _ := c.followedBands()
	response := map[float64]float64{}
	for _, b := range followed {
		response[b.hz] = b.responseDB
	}
	for _, b := range c.spectrum.bands() {
		db, found := response[b.hz]
		if !found {
			db = math.NaN()
		}
		t.Rows = append(t.Rows, []float64{bandHz(b), dsp.PowerToDB(b.a), dsp.PowerToDB(b.b), dsp.PowerToDB(b.e), db, b.coherence})
	}
	return t
}
