package dsp_test

import (
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
)

// processors lists every processor with settings that make it work. A new
// stage is added here; its own test file tests what only it does.
var processors = map[string]func(rate, channels int) (dsp.Processor, error){
	"gain": func(rate, channels int) (dsp.Processor, error) {
		return dsp.NewGain(dsp.GainSettings{GainDB: -3.5}, rate, channels)
	},
	"polarity": func(rate, channels int) (dsp.Processor, error) {
		return dsp.NewPolarity(dsp.PolaritySettings{Channels: []int{1}}, rate, channels)
	},
	"delay": func(rate, channels int) (dsp.Processor, error) {
		return dsp.NewDelay(dsp.DelaySettings{DelayMs: 7}, rate, channels)
	},
	"high-pass": func(rate, channels int) (dsp.Processor, error) {
		return dsp.NewHighPass(dsp.HighPassSettings{CornerHz: 80, SlopeDBPerOctave: 18}, rate, channels)
	},
	"equaliser": func(rate, channels int) (dsp.Processor, error) {
		return dsp.NewEqualiser(dsp.EqualiserSettings{Bands: []dsp.Band{
			{Shape: dsp.Bell, CentreHz: 3000, GainDB: 5, Q: 1}, {Shape: dsp.HighShelf, CentreHz: 3500, GainDB: -4, Q: 0.7},
			{Shape: dsp.LowShelf, CentreHz: 120, GainDB: 3, Q: 0.7}, {Shape: dsp.Notch, CentreHz: 50, Q: 10},
		}}, rate, channels)
	},
	"compressor, peak, linked": func(rate, channels int) (dsp.Processor, error) {
		return dsp.NewCompressor(dsp.CompressorSettings{ThresholdDBFS: -25, Ratio: 4, KneeDB: 6, AttackMs: 2, HoldMs: 3, ReleaseMs: 20,
			MakeupDB: 6, Detector: dsp.Peak, DetectorWindowMs: 10, LookaheadMs: 1, LinkChannels: true}, rate, channels)
	},
	"compressor, rms, unlinked": func(rate, channels int) (dsp.Processor, error) {
		return dsp.NewCompressor(dsp.CompressorSettings{ThresholdDBFS: -30, Ratio: 3, AttackMs: 1, HoldMs: 40, ReleaseMs: 50,
			Detector: dsp.RMS, DetectorWindowMs: 20, SidechainHighPassHz: 100}, rate, channels)
	},
	"compressor, peak, long hold": func(rate, channels int) (dsp.Processor, error) {
		return dsp.NewCompressor(dsp.CompressorSettings{ThresholdDBFS: -30, Ratio: 3, AttackMs: 0.2, HoldMs: 120, ReleaseMs: 5,
			Detector: dsp.Peak, DetectorWindowMs: 1}, rate, channels)
	},
	"expander, rms, linked": func(rate, channels int) (dsp.Processor, error) {
		return dsp.NewExpander(dsp.ExpanderSettings{ThresholdDBFS: -40, Ratio: 2, RangeDB: 20, HysteresisDB: 3, AttackMs: 1, HoldMs: 10, ReleaseMs: 20,
			LookaheadMs: 5, Detector: dsp.RMS, DetectorWindowMs: 20, SidechainHighPassHz: 80, LinkChannels: true}, rate, channels)
	},
	"expander, peak, unlinked": func(rate, channels int) (dsp.Processor, error) {
		return dsp.NewExpander(dsp.ExpanderSettings{ThresholdDBFS: -35, Ratio: 3, KneeDB: 6, RangeDB: 40, AttackMs: 0, ReleaseMs: 5,
			Detector: dsp.Peak, DetectorWindowMs: 10}, rate, channels)
	},
	"de-esser, relative": func(rate, channels int) (dsp.Processor, error) {
		return dsp.NewDeEsser(dsp.DeEsserSettings{CentreHz: 3000, Q: 1, KeyLowHz: 2000, KeyHighHz: 3900, Relative: true, RelativeDB: -9,
			Ratio: 4, RangeDB: 8, AttackMs: 1, ReleaseMs: 30, LinkChannels: true}, rate, channels)
	},
	"de-esser, absolute": func(rate, channels int) (dsp.Processor, error) {
		return dsp.NewDeEsser(dsp.DeEsserSettings{CentreHz: 3000, Q: 2, KeyLowHz: 2000, KeyHighHz: 3900, ThresholdDBFS: -30,
			Ratio: 4, RangeDB: 8, AttackMs: 1, ReleaseMs: 30}, rate, channels)
	},
	"verified ceiling": func(rate, channels int) (dsp.Processor, error) {
		return dsp.NewVerifiedCeiling(dsp.VerifiedCeilingSettings{LinkChannels: channels == 2}, rate, channels)
	},
	"verified limiter": func(rate, channels int) (dsp.Processor, error) {
		return dsp.NewVerifiedLimiter(dsp.LimiterSettings{CeilingDBTP: -6, DriveDB: 6, LookaheadMs: 3, LinkChannels: channels == 2}, rate, channels)
	},
	"limiter, linked": func(rate, channels int) (dsp.Processor, error) {
		return dsp.NewLimiter(dsp.LimiterSettings{CeilingDBTP: -6, DriveDB: 6, LookaheadMs: 3, LinkChannels: true}, rate, channels)
	},
	"limiter, unlinked": func(rate, channels int) (dsp.Processor, error) {
		return dsp.NewLimiter(dsp.LimiterSettings{CeilingDBTP: -12, LookaheadMs: 5, Recovery: dsp.FastRecovery}, rate, channels)
	},
}

func TestContract(t *testing.T) {
	for name, build := range processors {
		t.Run(name, func(t *testing.T) {
			for _, f := range dsptest.Some(1, []struct{ rate, channels int }{{44100, 2}, {48000, 1}, {8000, 3}}) {
				if _, err := build(f.rate, f.channels); err != nil {
					t.Fatal(err)
				}
				dsptest.Contract(t, f.rate, f.channels, func() dsp.Processor {
					p, _ := build(f.rate, f.channels)
					return p
				})
			}
		})
	}
}
