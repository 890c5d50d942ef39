package instrument

import (
	"encoding/json"
	"fmt"
	"math"
	"regexp"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// Whatever a device does, an instrument gives readings or reasons, in JSON that any reader
// accepts, or an error that states what is wrong with the response: never NaN, an infinity or a
// panic.
func TestInstrumentsWithAnyResponse(t *testing.T) {
	each := func(f func(n int, x float64) float64) bench {
		return func(_ int, sound dsp.Block) {
			for _, plane := range sound {
				for n, x := range plane {
					plane[n] = f(n, x)
				}
			}
		}
	}
	devices := map[string]bench{
		"nothing":        each(func(int, float64) float64 { return 0 }),
		"DC":             each(func(int, float64) float64 { return 0.25 }),
		"inverted":       each(func(_ int, x float64) float64 { return -x }),
		"noise":          each(func(n int, _ float64) float64 { return math.Sin(float64(n) * float64(n)) }),
		"NaN":            each(func(int, float64) float64 { return math.NaN() }),
		"one NaN":        each(func(n int, x float64) float64 { return x + map[bool]float64{true: math.NaN()}[n == 30000] }),
		"infinite":       each(func(int, float64) float64 { return math.Inf(1) }),
		"huge":           each(func(_ int, x float64) float64 { return 1e300 * x }),
		"tiny":           each(func(_ int, x float64) float64 { return 1e-300 * x }),
		"clipped":        each(func(_ int, x float64) float64 { return max(-1e-3, min(1e-3, x)) }),
		"one bit":        each(func(_ int, x float64) float64 { return math.Copysign(0.5, x) }),
		"rectified":      each(func(_ int, x float64) float64 { return math.Abs(x) }),
		"squared":        each(func(_ int, x float64) float64 { return x * x }),
		"every other":    each(func(n int, x float64) float64 { return x * float64(n%2) }),
		"alternating":    each(func(n int, x float64) float64 { return x * float64(1-2*(n%2)) }),
		"gone half-way":  each(func(n int, x float64) float64 { return x * map[bool]float64{true: 1}[n < 60000] }),
		"tremolo":        each(func(n int, x float64) float64 { return x * (1 + math.Sin(float64(n)/500)) }),
		"ever louder":    each(func(n int, x float64) float64 { return x * math.Exp(float64(n)/3000) }),
		"gate":           each(func(_ int, x float64) float64 { return x * map[bool]float64{true: 1}[math.Abs(x) > 0.1] }),
		"backwards":      func(_ int, sound dsp.Block) { backwards(sound) },
		"left alone":     func(_ int, sound dsp.Block) { clear(sound[len(sound)-1]) },
		"swapped":        func(_ int, sound dsp.Block) { sound[0], sound[len(sound)-1] = sound[len(sound)-1], sound[0] },
		"a second later": func(rate int, sound dsp.Block) { later(sound, rate) },
	}
	inTurn := []string{"one NaN", "nothing", "gone half-way"}
	for i, kind := range stimulus.Kinds() {
		for _, instrument := range For(kind.Default) {
			t.Run(fmt.Sprintf("%T", instrument), func(t *testing.T) {
				t.Parallel()
				for name, device := range devices {
					if (name != inTurn[i%3] || i%2 == 1) && !dsptest.IsExhaustive() {
						continue
					}
					r, err := Run(t.Context(), device, instrument, 48000)
					if err != nil {
						if !clearErrors.MatchString(err.Error()) {
							t.Errorf("%s: %q says nothing about the response", name, err)
						}
						continue
					}
					if _, err := json.Marshal(r); err != nil {
						t.Errorf("%s: %v", name, err)
					}
					for _, n := range r {
						if n.Measurable() && n.Value-n.Value != 0 {
							t.Errorf("%s: %s is %g", name, n.Name, n.Value)
						}
					}
				}
			})
		}
	}
}

// clearErrors matches the errors of instruments about responses: a sample with its frame,
// or a missing part of the stimulus.
var clearErrors = regexp.MustCompile(`NaN or infinite sample at frame [0-9]+|the response does not hold the step of level|the response ends before the step down`)

func backwards(sound dsp.Block) {
	for _, plane := range sound {
		for i, j := 0, len(plane)-1; i < j; i, j = i+1, j-1 {
			plane[i], plane[j] = plane[j], plane[i]
		}
	}
}

func later(sound dsp.Block, frames int) {
	for _, plane := range sound {
		copy(plane[min(frames, len(plane)):], plane)
		clear(plane[:min(frames, len(plane))])
	}
}
