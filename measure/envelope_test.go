package measure

import (
	"testing"

	"pgregory.net/rapid"

	"github.com/boothbench/boothbench/dsp"
)

// Every column holds the least and the largest sample of its frames, in blocks of any
// size.
func TestEnvelope(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		frames, columns := rapid.IntRange(1, 500).Draw(t, "frames"), rapid.IntRange(2, 40).Draw(t, "columns")
		x := dsp.NewBlock(2, frames)
		for c := range x {
			for i := range x[c] {
				x[c][i] = rapid.Float64Range(-1, 1).Draw(t, "sample")
			}
		}
		e := NewEnvelope(columns)
		for from := 0; from < frames; {
			to := min(frames, from+rapid.IntRange(1, 90).Draw(t, "block"))
			e.Write(dsp.Block{x[0][from:to], x[1][from:to]})
			from = to
		}
		low, high, per := e.Columns()
		if len(low) > columns || int64(len(low)) != (int64(frames)+per-1)/per || per > 1 && len(low) < columns/2/2 {
			t.Fatalf("%d frames in %d columns of %d frames; accepted: up to %d columns", frames, len(low), per, columns)
		}
		for i := range low {
			least, largest := 2.0, -2.0
			for n := i * int(per); n < min(frames, (i+1)*int(per)); n++ {
				least, largest = min(least, x[0][n], x[1][n]), max(largest, x[0][n], x[1][n])
			}
			if low[i] != least || high[i] != largest {
				t.Fatalf("column %d is %g to %g; accepted: %g to %g", i, low[i], high[i], least, largest)
			}
		}
	})
}
