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
}

func TestContract(t *testing.T) {
	for name, build := range processors {
		t.Run(name, func(t *testing.T) {
			for _, f := range []struct{ rate, channels int }{{48000, 1}, {44100, 2}, {8000, 3}} {
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
