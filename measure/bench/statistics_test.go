package bench

import (
	"math"
	"testing"

	"github.com/boothbench/boothbench/measure"
)

// A delay in ms has the uncertainty of the same delay in frames, whatever its size.
func TestUncertaintyInMsIsThatInFrames(t *testing.T) {
	item := Item{Condition: Condition{Path: &Path{}, RateHz: 44100}, Unmarked: true}
	for _, frames := range []float64{0.000085, 0, 333, -1.5, 1e5} {
		var r measure.Readings
		r.AddFrames("remaining_delay", frames, 44100, measure.Reading{})
		r.AddFrames("latency_ch2", 1, 44100, measure.Reading{})
		rows := rowsOf(item, []result{{readings: r}})
		if len(rows) < 2 || rows[0].Unit != "frames" || rows[1].Unit != "ms" {
			t.Fatalf("%+v", rows)
		}
		want := rows[0].Uncertainty / 44.1
		if want <= 0 || math.Abs(rows[1].Uncertainty-want) > 1e-9 {
			t.Errorf("%g frames ±%g, but ±%g ms, want ±%g", frames, rows[0].Uncertainty, rows[1].Uncertainty, want)
		}
	}
}
