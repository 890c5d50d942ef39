package proof

import (
	"context"
	"fmt"
	"math"
	"testing"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp/dsptest"
)

// Curves are of the same responses as the lines: keeping them changes no line, and where
// a line passes, its curve lies as near to the declared one as it claims.
func TestCurvesAgreeWithTheirLines(t *testing.T) {
	c, err := chain.Parse("voice.toml", []byte(`schema = 1
[[stage]]
kind = "highpass"
corner_hz = 80
[[stage]]
kind = "compressor"
threshold_dbfs = -24
ratio = 3
attack_ms = 1
release_ms = 5
makeup_db = 3
`))
	if err != nil {
		t.Fatal(err)
	}
	const rate = 48000
	sheet, err := OfChainWithCurves(context.Background(), c, rate, nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(sheet.Curves) != 2 {
		t.Fatalf("found %d curves; accepted: 2", len(sheet.Curves))
	}
	if dsptest.IsExhaustive() {
		plain, err := OfChain(context.Background(), c, rate, nil)
		if err != nil {
			t.Fatal(err)
		}
		if got, want := fmt.Sprint(sheet.Lines), fmt.Sprint(plain.Lines); got != want || len(plain.Curves) != 0 {
			t.Errorf("with curves the lines are\n%s\nand without, where there are %d curves,\n%s", got, len(plain.Curves), want)
		}
	}
	for i, want := range []struct {
		stage, axis string
		rows        int
		low, high   float64 // where the line's claim holds
	}{{"highpass", "frequency_hz", 400, 20, 20000}, {"compressor", "in_dbfs", 40, -100, 10}} {
		c := sheet.Curves[i]
		if c.Stage != want.stage || c.Columns[0] != want.axis || len(c.Rows) < want.rows || c.WithinDB <= 0 || c.Deviation.Unit != "dB" || !(c.Deviation.Value > 0) || c.Deviation.Value > c.WithinDB {
			t.Errorf("curve %d is of %s, %q, %d rows, within %g dB", i, c.Stage, c.Columns, len(c.Rows), c.WithinDB)
		}
		for _, row := range c.Rows {
			if d := math.Abs(row[1] - row[2]); row[0] > want.low && row[0] < want.high && !(d <= c.WithinDB) {
				t.Errorf("%s: at %g it has %g dB, declared are %g", c.Stage, row[0], row[1], row[2])
				break
			}
		}
	}
	// What the compressor declares at −6 dBFS, by the formula of Giannoulis et al.
	// (2012): 3 + (−24 + 6)·(1 − 1/3) dB.
	for _, row := range sheet.Curves[1].Rows {
		if math.Abs(row[0]+6) < 0.25 && math.Abs(row[2]-(3-(row[0]+24)*2/3)) > 1e-9 {
			t.Errorf("at %g dBFS %g dB are declared", row[0], row[2])
		}
	}
}
