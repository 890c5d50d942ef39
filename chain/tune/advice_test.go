package tune

import (
	"context"
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
)

// A file that was delivered too softly is rendered again with the drive that the advice names.
// It is then in the middle of the tolerance, within 0.1 LU: the advice uses only the file, not
// the chain that made it.
func TestAdviceLeadsToTheMiddleOfTheTolerance(t *testing.T) {
	in := "../../testdata/harbour-street.wav"
	c := parsed(t, limiterAlone)
	d, r, err := delivered(t, c, anything(-22), in, Settings{})
	if err != nil {
		t.Fatal(err)
	}
	out := d.Files[0].Out
	open := func() (wave.Source, error) { return wave.Open(out) }
	judge := func(low, high float64) []measure.Judgement {
		both := measure.Between("integrated_lufs", (low+high)/2, (high-low)/2)
		return []measure.Judgement{measure.Judge(out, 48000, r, both), measure.Judge(out, 48000, r, measure.AtMost("true_peak_dbtp", -1))}
	}
	judgements := judge(-17, -15)
	if err := Advise(context.Background(), open, judgements); err != nil {
		t.Fatal(err)
	}
	var by, missing, aim, takes float64
	if _, err := fmt.Sscanf(judgements[0].Do(), "raise drive_db of the chain's limiter by about %f dB: %f to the middle of the tolerance, %f LUFS, and %f that", &by, &missing, &aim, &takes); err != nil {
		t.Fatalf("%s: %v", judgements[0].Do(), err)
	}
	if is := rendered(t, c, in, d.GainDB+by); math.Abs(is+16) > 0.1 || aim != -16 || math.Abs(missing-6) > 0.03 || takes < 0.1 {
		t.Errorf("with the advice the file has %.3f LUFS: %s", is, judgements[0].Do())
	}
	judgements = judge(-31, -29)
	if err := Advise(context.Background(), open, judgements); err != nil || !strings.Contains(judgements[0].Do(), "lower drive_db of the chain's limiter by about 8.00 dB, to the middle") {
		t.Errorf("%s, %v", judgements[0].Do(), err)
	}
	judgements = judge(-3, -1)
	if err := Advise(context.Background(), open, judgements); err != nil || !strings.Contains(judgements[0].Do(), "the loudest is -1") {
		t.Errorf("%s, %v", judgements[0].Do(), err)
	}
	judgements = judge(-22.5, -21.5)
	if err := Advise(context.Background(), open, judgements); err != nil || judgements[0].Do() != "" {
		t.Errorf("%s, %v", judgements[0].Do(), err)
	}
}
