package tune

import (
	"context"
	"errors"
	"math"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"github.com/boothbench/boothbench/dsp/wave"
)

// A value that no chain file can hold is refused before a take is opened. The error states the
// key and the accepted values. Every other value is kept. (The expander's model once ended the
// program on a range of -8 dB.)
func TestKeptValuesOutOfRangeAreRefused(t *testing.T) {
	unopened := Take{Name: "take.wav", Open: func() (wave.Source, error) { return nil, errors.New("it was opened") }}
	for key, accepted := range map[string][2]float64{ // as REFERENCE.md states them
		"expander.range_db": {0, 100}, "expander.threshold_dbfs": {-120, 0}, "expander.ratio": {1, 100},
		"compressor.ratio": {1, 100}, "highpass.corner_hz": {1, 100000}, "hum.q": {0.1, 30}, "tone.gain_db": {-24, 24},
	} {
		rapid.Check(t, func(t *rapid.T) {
			value := rapid.OneOf(rapid.Float64(), rapid.Float64Range(-200, 200), rapid.Just(math.NaN()), rapid.Just(math.Inf(1))).Draw(t, "value")
			text := strings.Replace(strings.ToLower(strconv.FormatFloat(value, 'g', -1, 64)), "+inf", "inf", 1)
			_, err := Propose(context.Background(), []Take{unopened}, ProposeSettings{Keep: map[string]string{key: text}})
			var refused *KeepError
			if inside := value >= accepted[0] && value <= accepted[1]; inside == errors.As(err, &refused) {
				t.Fatalf("%s=%s: %v", key, text, err)
			}
			if refused != nil && (refused.Key != key || refused.Found == "" || refused.Accepted == "") {
				t.Fatalf("%s=%s: %+v", key, text, refused)
			}
		})
	}
	for key, value := range map[string]string{"expander.range_db": "5\nratio = 2", "expander.ratio": "abc"} {
		_, err := Propose(context.Background(), []Take{unopened}, ProposeSettings{Keep: map[string]string{key: value}})
		if refused := (*KeepError)(nil); !errors.As(err, &refused) || refused.Accepted == "" {
			t.Errorf("%s=%q: %v", key, value, err)
		}
	}
}
