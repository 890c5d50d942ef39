package compare

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/internal/testsound"
)

// change is something done to a sound, and what a comparison must list of it.
type change struct {
	name string
	make func(b dsp.Block, rate int) dsp.Block
	want Difference // Frame: where in A, −1: anywhere
	// How far off Value, Hz (a share), and Frame and Frames may be.
	value, hz float64
	frame     int64
}

// editFrame is where the changes at a place are made: in the middle, where the sound is
// loud.
func editFrame(b dsp.Block) int {
	n := b.Frames()
	best, at := 0.0, n/2
	for from := n / 3; from+480 < 2*n/3; from += 480 {
		sum := 0.0
		for _, v := range b[0][from : from+480] {
			sum += v * v
		}
		if sum > best {
			best, at = sum, from+240
		}
	}
	return at
}

func eachPlane(b dsp.Block, f func(x []float64) []float64) dsp.Block {
	out := make(dsp.Block, len(b))
	for c := range b {
		out[c] = f(b[c])
	}
	return out
}

// changes are the kinds of change, for a sound in which edits are made at a frame.
func changes(at, rate int) []change {
	ms20 := rate / 50
	tone := 1234.5
	return []change{
		{"37 frames later", func(b dsp.Block, rate int) dsp.Block {
			return eachPlane(b, func(x []float64) []float64 { return append(make([]float64, 37), x...) })
		}, Difference{Kind: Delay, Channel: -1, Frame: -1, Value: 37, Unit: "frames"}, 0.02, 0, 0},
		{"1.3 dB quieter", func(b dsp.Block, rate int) dsp.Block {
			return eachPlane(b, func(x []float64) []float64 { return testsound.Times(x, dsp.DBToAmplitude(-1.3)) })
		}, Difference{Kind: Level, Channel: -1, Frame: -1, Value: -1.3, Unit: "dB"}, 0.1, 0, 0},
		{"inverted", func(b dsp.Block, rate int) dsp.Block {
			return eachPlane(b, func(x []float64) []float64 { return testsound.Times(x, -1) })
		}, Difference{Kind: Polarity, Channel: -1, Frame: -1}, 2, 0, 0},
		// Zero phase: forwards and backwards, each 3 dB down at 7 kHz, so 6 dB there and
		// 3 dB a little lower: at 7 kHz · (√2 − 1)^(1/16).
		{"low-passed at 7 kHz", func(b dsp.Block, rate int) dsp.Block {
			out := testsound.CopyOf(b)
			hz := 7000 * float64(rate) / 48000
			for range 2 {
				dsp.NewCascade(dsp.ButterworthLowPass(8, hz, float64(rate)), len(b)).Process(out)
				for _, x := range out {
					for i, j := 0, len(x)-1; i < j; i, j = i+1, j-1 {
						x[i], x[j] = x[j], x[i]
					}
				}
			}
			return out
		}, Difference{Kind: LowPass, Channel: -1, Frame: -1, Hz: 7000 * float64(rate) / 48000 * math.Pow(math.Sqrt2-1, 1.0/16)}, math.Inf(1), 0.03, 0},
		{"a bell of 3 dB", func(b dsp.Block, rate int) dsp.Block {
			out := testsound.CopyOf(b)
			dsp.NewCascade([]dsp.Biquad{dsp.CookbookBell(2000, 3, 1, float64(rate))}, len(b)).Process(out)
			return out
		}, Difference{Kind: Band, Channel: -1, Frame: -1, Hz: 2000, Value: 3}, 1, 0.3, 0},
		{"20 ms cut out", func(b dsp.Block, rate int) dsp.Block {
			return eachPlane(b, func(x []float64) []float64 {
				return append(append([]float64(nil), x[:at]...), x[at+ms20:]...)
			})
		}, Difference{Kind: Cut, Channel: -1, Frame: int64(at), Frames: int64(ms20)}, 0, 0, int64(rate / 500)},
		{"20 ms put in", func(b dsp.Block, rate int) dsp.Block {
			return eachPlane(b, func(x []float64) []float64 {
				return append(append(append([]float64(nil), x[:at]...), make([]float64, ms20)...), x[at:]...)
			})
		}, Difference{Kind: Insertion, Channel: -1, Frame: int64(at), Frames: int64(ms20)}, 0, 0, int64(rate / 500)},
		{"a tone", func(b dsp.Block, rate int) dsp.Block {
			return eachPlane(b, func(x []float64) []float64 {
				out := append([]float64(nil), x...)
				for n := range out {
					out[n] += dsp.DBToAmplitude(-50) * math.Sin(2*math.Pi*tone*float64(n)/float64(rate))
				}
				return out
			})
		}, Difference{Kind: Tone, Channel: -1, Frame: -1, In: "B", Hz: tone, Value: -50}, 2, 0.002, 0},
		{"a click", func(b dsp.Block, rate int) dsp.Block {
			out := testsound.CopyOf(b)
			for c := range out {
				out[c][at/2] += 0.25
			}
			return out
		}, Difference{Kind: Click, Channel: -1, Frame: int64(at / 2), Value: dsp.AmplitudeToDB(0.25)}, 2, 0, int64(rate / 500)},
		{"noise", func(b dsp.Block, rate int) dsp.Block {
			rng := rand.New(rand.NewPCG(5, 6))
			return eachPlane(b, func(x []float64) []float64 {
				out := append([]float64(nil), x...)
				for n := range out {
					out[n] += dsp.DBToAmplitude(-80) * rng.NormFloat64()
				}
				return out
			})
		}, Difference{Kind: Noise, Channel: -1, Frame: -1, In: "B", Value: -80}, 0.5, 0, 0},
		{"an offset", func(b dsp.Block, rate int) dsp.Block {
			return eachPlane(b, func(x []float64) []float64 {
				out := append([]float64(nil), x...)
				for n := range out {
					out[n] += 0.003
				}
				return out
			})
		}, Difference{Kind: Offset, Channel: -1, Frame: -1, In: "B", Value: dsp.AmplitudeToDB(0.003)}, 1.5, 0, 0},
		{"3 dB quieter from the middle on", func(b dsp.Block, rate int) dsp.Block {
			return eachPlane(b, func(x []float64) []float64 {
				return append(append([]float64(nil), x[:at]...), testsound.Times(x[at:], dsp.DBToAmplitude(-3))...)
			})
		}, Difference{Kind: LevelStep, Channel: -1, Frame: int64(at), Value: -3}, 0.1, 0, int64(rate / 20)},
		{"faded down by 6 dB", func(b dsp.Block, rate int) dsp.Block {
			return eachPlane(b, func(x []float64) []float64 {
				out := append([]float64(nil), x...)
				for n := range out {
					out[n] *= 1 - 0.5*float64(n)/float64(len(out))
				}
				return out
			})
		}, Difference{Kind: Fade, Channel: -1, Frame: -1, Value: -6}, 1.2, 0, 0}, // less, where the sound begins late and ends early
		{"clipped", func(b dsp.Block, rate int) dsp.Block {
			largest := 0.0
			for _, v := range b[0] {
				largest = max(largest, math.Abs(v))
			}
			return eachPlane(b, func(x []float64) []float64 {
				out := append([]float64(nil), x...)
				for n, v := range out {
					out[n] = max(-0.8*largest, min(0.8*largest, v))
				}
				return out
			})
		}, Difference{Kind: Clipped, Channel: -1, Frame: -1, Value: math.NaN()}, 0, 0, 0},
		{"channel 2 20 frames late", func(b dsp.Block, rate int) dsp.Block {
			out := testsound.CopyOf(b)
			out[1] = append(make([]float64, 20), b[1][:len(b[1])-20]...)
			return out
		}, Difference{Kind: Delay, Channel: 1, Frame: -1, Value: 20}, 0.02, 0, 0},
	}
}

// lists reports whether a list of differences has the one that a change makes.
func (c change) listedIn(all []Difference) bool {
	for _, d := range all {
		near := func(a, b, by float64) bool { return math.Abs(a-b) <= by || b != b }
		// A click may be covered by another change in one of the channels, and the quieter
		// channel is not clipped.
		if d.Kind == c.want.Kind && (d.Channel == c.want.Channel || d.Kind == Click || d.Kind == Clipped) && d.In == c.want.In &&
			near(d.Value, c.want.Value, c.value) && (c.want.Hz == 0 || near(d.Hz/c.want.Hz, 1, c.hz)) &&
			(c.want.Frame < 0 || near(float64(d.Frame), float64(c.want.Frame), float64(c.frame))) && (d.Kind == Fade || d.Kind == Level || d.Frames == c.want.Frames) {
			return true
		}
	}
	return false
}

// changedSounds are a recorded voice and a generated one, on two channels.
func changedSounds(t *testing.T) map[string]struct {
	sound dsp.Block
	rate  int
} {
	recorded, rate := testsound.StereoTake(t)
	if !dsptest.IsExhaustive() {
		recorded = dsp.Block{recorded[0][:6*rate], recorded[1][:6*rate]}
	}
	return map[string]struct {
		sound dsp.Block
		rate  int
	}{"recorded": {recorded, rate}, "generated": {dsptest.Speechlike(48000, 2, 12*48000, 77), 48000}}
}

func listed(t *testing.T, a, b dsp.Block, rate int) ([]Difference, string) {
	t.Helper()
	open := func(b dsp.Block) func() (wave.Source, error) {
		return func() (wave.Source, error) { return wave.NewMemory(wave.Unquantised(rate, len(b)), b), nil }
	}
	c, err := Sounds(t.Context(), open(a), open(b), Settings{})
	if err != nil {
		t.Fatal(err)
	}
	return c.Differences(), c.Summary()
}

// Each kind of change is listed with its figures, and nothing else is but what is left.
// Read mirrored, a cut is an insertion, and so on; that is tested by the pairs.
func TestChangesAreListed(t *testing.T) {
	for name, s := range changedSounds(t) {
		if name == "generated" && !dsptest.IsExhaustive() {
			continue
		}
		for i, c := range changes(editFrame(s.sound), s.rate) {
			if i%6 != 0 && !dsptest.IsExhaustive() {
				continue
			}
			all, summary := listed(t, s.sound, c.make(s.sound, s.rate), s.rate)
			if !c.listedIn(all) {
				t.Errorf("%s, %s: %s", name, c.name, summary)
			}
			for _, d := range all {
				if d.Kind == Level && c.want.Kind == Band && math.Abs(d.Value) < 0.2 {
					continue // the skirts of a bell are all over the spectrum
				}
				if d.Kind == Level && (c.want.Kind == Clipped && math.Abs(d.Value) < 0.3 || c.want.Kind == Fade && math.Abs(d.Value) < 1.2) {
					continue // of a channel that is clipped all the time, and of a fade that began in the pause before
				}
				if d.Kind != c.want.Kind && d.Kind != Rest && d.Kind != Noise {
					t.Errorf("%s, %s: it also %s: %s", name, c.name, d, summary)
				}
			}
		}
	}
}

// inTime are the changes of level that are not the same all over.
func inTime(c change) bool {
	switch c.want.Kind {
	case LevelStep, Fade, Clipped, Click, Offset:
		return true
	}
	return false
}

func inFrequency(c change) bool {
	switch c.want.Kind {
	case LowPass, Band, Tone:
		return true
	}
	return false
}

// Two changes at once are listed both.
func TestChangesInPairs(t *testing.T) {
	dsptest.Exhaustive(t)
	for name, s := range changedSounds(t) {
		kinds := changes(editFrame(s.sound), s.rate)
		for i, one := range kinds {
			for j, two := range kinds {
				if j == i || one.want.Kind == Cut || one.want.Kind == Insertion {
					continue // edits are made last, so that the places of the others hold
				}
				if one.want.Kind == Clipped && two.want.Kind == Cut {
					continue // it takes out the loudest 20 ms, and with them what is clipped
				}
				if one.want.Kind == Level && two.want.Kind == Fade {
					continue // the fade begins in a pause, where no level is seen
				}
				if inTime(one) && (inTime(two) || inFrequency(two)) || inTime(two) && inFrequency(one) {
					continue // a level that moves over time and over frequency is described by one of them
				}
				if j < i && two.want.Kind != Cut && two.want.Kind != Insertion {
					continue
				}
				all, summary := listed(t, s.sound, two.make(one.make(s.sound, s.rate), s.rate), s.rate)
				for _, c := range []change{one, two} {
					if c.want.Kind == Noise {
						continue // the rest is of both, and stated as one figure
					}
					if !c.listedIn(all) {
						t.Errorf("%s, %s and %s: %q is not listed: %s", name, one.name, two.name, c.name, summary)
					}
				}
			}
		}
	}
}

// Clipping is named however hard it is, down to half of the largest sample.
func TestClippingIsNamed(t *testing.T) {
	sound, rate := testsound.StereoTake(t)
	voice := sound[0][:6*rate]
	largest := 0.0
	for _, v := range voice {
		largest = max(largest, math.Abs(v))
	}
	for _, share := range []float64{0.9, 0.7, 0.5} {
		clipped := append([]float64(nil), voice...)
		for n, v := range clipped {
			clipped[n] = max(-share*largest, min(share*largest, v))
		}
		all, summary := listed(t, dsp.Block{voice}, dsp.Block{clipped}, rate)
		found := false
		for _, d := range all {
			found = found || d.Kind == Clipped && math.Abs(d.Value-dsp.AmplitudeToDB(share*largest)) < 0.01
		}
		if !found {
			t.Errorf("clipped at %.2f of its peak: %s", share, summary)
		}
	}
}

// Nor is it taken for bands where most of the tops are cut off, by a gain ahead of it: 12 and
// 18 dB, and half of full scale.
func TestHardClippingIsNamed(t *testing.T) {
	take, rate := testsound.ReadTake(t, "harbour-street.wav")
	voice := take[0][:8*rate]
	for _, db := range []float64{12, 18} {
		clipped := testsound.Times(voice, dsp.DBToAmplitude(db))
		for n, v := range clipped {
			clipped[n] = max(-0.5, min(0.5, v))
		}
		all, summary := listed(t, dsp.Block{voice}, dsp.Block{clipped}, rate)
		if d, found := of(all, Clipped); !found || math.Abs(d.Value-dsp.AmplitudeToDB(0.5)) > 0.01 {
			t.Errorf("%g dB: %s", db, summary)
		}
	}
}

// A constant offset is all that differs, though A pauses in digital silence.
func TestOffsetIsNoSound(t *testing.T) {
	take, rate := testsound.ReadTake(t, "harbour-street.wav")
	a := dsp.Block{append([]float64(nil), take[0][:8*rate]...)}
	clear(a[0][3*rate : 4*rate])
	b := testsound.CopyOf(a)
	for n := range b[0] {
		b[0][n] += dsp.DBToAmplitude(-26)
	}
	for _, pair := range [][2]dsp.Block{{a, b}, {b, a}} {
		if all, summary := listed(t, pair[0], pair[1], rate); all[0].Kind != Offset || strings.Contains(summary, "silent") || !strings.Contains(summary, "no other difference") {
			t.Error(summary)
		}
	}
}

// A filter's phase lowers what least squares find of different channels, and makes them no
// other sound: the late one is named.
func TestFilteredChannelsAreNoOtherSound(t *testing.T) {
	take, rate := testsound.ReadTake(t, "harbour-street.wav")
	for late := range 2 {
		a := dsp.Block{take[0][:6*rate], take[0][6*rate : 12*rate]}
		b := testsound.CopyOf(a)
		dsp.NewCascade([]dsp.Biquad{dsp.CookbookHighPass(200, math.Sqrt(0.5), float64(rate))}, 2).Process(b)
		b[late] = append(make([]float64, 30), b[late][:len(b[late])-30]...)
		all, summary := listed(t, a, b, rate)
		if d, found := of(all, Delay); !found || d.Channel != late || d.Value != 30 || strings.Contains(summary, "another sound") {
			t.Error(summary)
		}
	}
}
