package tune

import (
	"errors"
	"fmt"
	"strings"
	"testing"
)

// The compressor that a refusal for too much limiting names is enough: the chain with its
// values is delivered. With a compressor in the chain, and without one; where none is enough
// (-10 LUFS), none is named.
func TestAdvisedCompressorIsEnough(t *testing.T) {
	rate, b := talk(t, -26)
	in := written24(t, rate, b)
	refused := 0
	for _, at := range []struct {
		text string
		lufs float64
	}{{limiterAlone, -13.5}, {strings.Replace(withCompressor, "-30", "-16", 1), -13.5}, {limiterAlone, -10}} {
		target := Target{LoudnessLUFS: at.lufs, TruePeakDBTP: -1}
		_, _, err := delivered(t, parsed(t, at.text), target, in, Settings{})
		var r *Refusal
		if !errors.As(err, &r) {
			continue
		}
		refused++
		if at.lufs == -10 {
			if !strings.Contains(r.Do, "not enough") {
				t.Errorf("%g LUFS: advice %q", at.lufs, r.Do)
			}
			continue
		}
		var threshold, ratio float64
		_, values, _ := strings.Cut(r.Do, "with ")
		if n, _ := fmt.Sscanf(values, "threshold_dbfs = %f and ratio = %f", &threshold, &ratio); n != 2 {
			t.Errorf("%g LUFS: advice %q", at.lufs, r.Do)
			continue
		}
		changed, _ := withCompression(split(parsed(t, at.text)), threshold, ratio)
		if _, _, err := delivered(t, changed, target, in, Settings{}); err != nil {
			t.Errorf("%g LUFS: advice %q, and then %v", at.lufs, r.Do, err)
		}
		t.Log(r.Do)
	}
	if refused < 3 {
		t.Errorf("%d of the cases were refused: there is too little to advise", refused)
	}
}
