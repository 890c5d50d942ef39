package chain

import (
	"slices"
	"sync"

	"github.com/boothbench/boothbench/dsp"
)

// Sources of defaults and ranges that are in no document.
const (
	practice  = "common practice, no source"
	ownBounds = "own bounds, wider than use"
)

// Frequencies that a file may name. Check adds the limit of the sound's rate.
const (
	lowestHz  = 1
	highestHz = 100_000
)

// Kinds lists the kinds of stage, in the order of a usual voice chain.
func Kinds() []Kind { return slices.Clone(allKinds()) }

// allKinds is the only list of kinds. It is not changed.
var allKinds = sync.OnceValue(func() []Kind {
	return []Kind{
		highPassKind(),
		expanderKind(),
		compressorKind(),
		equaliserKind(),
		deEsserKind(),
		limiterKind(),
		gainKind(),
		polarityKind(),
		delayKind(),
	}
})

func highPassKind() Kind {
	type S = dsp.HighPassSettings
	return kindOf(dsp.NewHighPass, Kind{
		Name:    "highpass",
		Also:    []string{"high-pass", "hp", "hpf", "low cut", "lowcut", "rumble filter", "subsonic"},
		Summary: "Butterworth high-pass: removes rumble, handling noise and wind below the voice.",
		Trap: "A minimum-phase filter shifts the phase above its corner, which can raise the peaks of a voice by 1 to 3 dB (" +
			practice + "): measure the peak after it.",
		Fields: []Field{
			number(func(s *S) *float64 { return &s.CornerHz }, Field{
				Key: "corner_hz", Unit: "Hz", Min: lowestHz, Max: highestHz, Default: "80",
				Help:   "frequency that is lowered by 3.01 dB",
				Source: "60 to 100 Hz for speech: " + practice,
				Trap:   "keep it a third of an octave or more under the lowest fundamental of the voice; 120 Hz thins a deep one",
			}),
			wholeNumber(func(s *S) *int { return &s.SlopeDBPerOctave }, Field{
				Key: "slope_db_per_octave", Unit: "dB/oct", Min: 6, Max: 48, Step: 6, Default: "12",
				Help:   "steepness below the corner; 6 for each order of the filter",
				Source: "12 or 18: " + practice,
				Trap:   "the steeper the slope, the larger the phase shift and the longer the ringing around the corner",
			}),
		},
	})
}

func equaliserKind() Kind {
	type S = dsp.EqualiserSettings
	type B = dsp.Band
	tonal := &Condition{"shape", []string{"bell", "low-shelf", "high-shelf"}}
	k := kindOf(dsp.NewEqualiser, Kind{
		Name:    "equaliser",
		Also:    []string{"eq", "equalizer", "peq", "parametric equaliser", "parametric eq", "bell", "shelf", "low-shelf", "high-shelf", "notch", "filter", "tone"},
		Summary: "Parametric equaliser: bands in series, each a [[stage.band]] table below its [[stage]].",
		Trap:    "A boost ahead of the limiter makes the limiter work: cut before you boost, and look at the gain reduction.",
		Fields: []Field{
			word(func(s *S) *dsp.FilterDesign { return &s.Design }, []dsp.FilterDesign{dsp.Matched, dsp.Cookbook}, Field{
				Key: "design", Words: []string{"matched", "cookbook"}, Default: `"matched"`,
				Help:   "how the analogue curve becomes a digital one: fitted to its magnitude, or by the bilinear transform",
				Source: "W3C Audio EQ Cookbook for \"cookbook\"; a fit of our own, checked against the analogue curve, for \"matched\"",
				Trap:   "\"cookbook\" bands narrow towards the Nyquist frequency: a 12 kHz bell sounds different at 44.1 and 96 kHz",
			}),
		},
		Bands: []Field{
			word(func(b *B) *dsp.BandShape { return &b.Shape }, []dsp.BandShape{dsp.Bell, dsp.LowShelf, dsp.HighShelf, dsp.Notch}, Field{
				Key: "shape", Words: []string{"bell", "low-shelf", "high-shelf", "notch"},
				Help:   "form of the band",
				Source: "W3C Audio EQ Cookbook: peakingEQ, lowShelf, highShelf, notch",
			}),
			number(func(b *B) *float64 { return &b.CentreHz }, Field{
				Key: "centre_hz", Unit: "Hz", Min: lowestHz, Max: highestHz,
				Help:   "centre of a bell or notch; where a shelf has half its gain in dB",
				Source: ownBounds,
			}),
			number(func(b *B) *float64 { return &b.GainDB }, Field{
				Key: "gain_db", Unit: "dB", Min: -24, Max: 24, When: tonal,
				Help:   "gain at the centre of a bell or at the end of a shelf",
				Source: "within ±6 dB on a voice: " + practice,
			}),
			trueOrFalse(func(b *B) *bool { return &b.Optional }, Field{
				Key: "optional", Default: "false",
				Help:   "leave the band out, with a note, for sound whose rate is at most twice its centre; otherwise that sound is refused",
				Source: "own choice: nothing is left out that the file does not name",
			}),
			number(func(b *B) *float64 { return &b.Q }, Field{
				Key: "q", Min: 0.1, Max: 30, Default: "0.7071",
				Help:   "narrowness: of a bell, centre over bandwidth; of a shelf, 0.7071 is the steepest without overshoot",
				Source: "W3C Audio EQ Cookbook: Q of the analogue prototype",
				Trap: "bandwidth of a bell is between the points of half its gain in dB, not of −3 dB; a shelf with more than 0.7071 resonates: " +
					"of +6 dB, it rises by 8.9 dB with a q of 2, by 29.5 dB with 30 (process --plan states it)",
			}),
		},
	})
	k.addBand = func(p any, b dsp.Band) { s := p.(*S); s.Bands = append(s.Bands, b) }
	k.bands = func(settings any) []dsp.Band { return settings.(S).Bands }
	return k
}

func gainKind() Kind {
	type S = dsp.GainSettings
	return kindOf(dsp.NewGain, Kind{
		Name:    "gain",
		Also:    []string{"volume", "level", "trim", "amplify", "attenuate", "fader"},
		Summary: "Fixed gain.",
		Trap:    "Thresholds are meaningful at a known level only: set the level before the dynamics stages, not after the limiter.",
		Fields: []Field{
			number(func(s *S) *float64 { return &s.GainDB }, Field{
				Key: "gain_db", Unit: "dB", Min: -120, Max: 60,
				Help:   "amplitude ratio of output to input",
				Source: ownBounds,
			}),
			channelsField(func(s *S) *[]int { return &s.Channels }),
		},
	})
}

func polarityKind() Kind {
	type S = dsp.PolaritySettings
	return kindOf(dsp.NewPolarity, Kind{
		Name:    "polarity",
		Also:    []string{"invert", "phase", "phase invert", "reverse"},
		Summary: "Inverts the polarity: multiplies by −1.",
		Trap:    "Polarity is not phase: it has no frequency and no delay.",
		Fields:  []Field{channelsField(func(s *S) *[]int { return &s.Channels })},
	})
}

func delayKind() Kind {
	type S = dsp.DelaySettings
	return kindOf(dsp.NewDelay, Kind{
		Name:    "delay",
		Also:    []string{"shift", "align"},
		Summary: "Delay as an effect: it stays in the output, unlike the latency of other stages.",
		Trap:    "A voice and its copy 1 ms later cancel at 500 Hz, 1.5 kHz, … (odd multiples of 1/(2·delay)).",
		Fields: []Field{
			number(func(s *S) *float64 { return &s.DelayMs }, Field{
				Key: "delay_ms", Unit: "ms", Min: 0, Max: 10_000,
				Help:   "delay, rounded to whole frames",
				Source: ownBounds,
			}),
			channelsField(func(s *S) *[]int { return &s.Channels }),
		},
	})
}

func channelsField[S any](at func(*S) *[]int) Field {
	return channelList(at, Field{
		Key: "channels", Default: "[]",
		Help:   "channels it works on",
		Source: "counting from 1: " + practice,
	})
}
