package bench

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/chain/tomlfile"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// CustomTest is a [[test]] of a plan: a name, and a stimulus with its own settings.
type CustomTest struct {
	Name   string
	signal stimulus.Signal
	line   int // of its name in the plan
}

// namedSignal is one stimulus of a test. A test with several stimuli, such as one at several
// levels, names each of them.
type namedSignal struct {
	name     string
	signal   stimulus.Signal
	unmarked bool // nothing can be played into the path: the recording is recognised by its file name
}

// The built-in tests. Stimuli have their default lengths unless a comment states otherwise.
var tests = map[string]struct {
	help    string
	signals func(p *Path, level float64) []namedSignal
}{
	"response": {"frequency response and harmonics over frequency, by a sweep", func(p *Path, level float64) []namedSignal {
		return one("response", stimulus.Sweep{FromHz: 5, ToHz: 20500, Seconds: 10, PeakDBFS: level, Channels: p.Channels}) // half of 44.1 kHz lies above
	}},
	"distortion": {"THD and THD+N of 997 Hz at five levels down from full scale of the path's level", func(p *Path, level float64) (all []namedSignal) {
		for _, down := range []float64{0, 10, 20, 30, 40} {
			all = append(all, namedSignal{fmt.Sprintf("distortion at %g dBFS", level-down), stimulus.Tone{Hz: stimulus.StandardHz, PeakDBFS: level - down, Seconds: 4, Channels: p.Channels}, false})
		}
		return all
	}},
	"modulation": {"intermodulation of 60 Hz and 7 kHz, 4:1 (SMPTE RP 120, IEC 60268-3)", func(p *Path, level float64) []namedSignal {
		s := stimulus.ModulationTonesSMPTE(level)
		s.Channels = p.Channels
		return one("modulation", s)
	}},
	"difference": {"intermodulation of 18 kHz and 20 kHz, 1:1 (AES17)", func(p *Path, level float64) []namedSignal {
		s := stimulus.DifferenceTonesAES17(level)
		s.Channels = p.Channels
		return one("difference", s)
	}},
	dynamicRangeTest: {"noise behind a tone of -60 dBFS (AES17)", func(p *Path, level float64) []namedSignal {
		return one(dynamicRangeTest, instrument.DynamicRange{Channels: p.Channels}.Stimulus())
	}},
	"idle-noise": {"noise and hum while silence plays", func(p *Path, level float64) []namedSignal {
		return one("idle-noise", stimulus.Silence{Seconds: 10, Channels: p.Channels})
	}},
	"input-noise": {"equivalent input noise of a terminated input; nothing is played", func(p *Path, level float64) []namedSignal {
		return []namedSignal{{"input-noise", stimulus.Silence{Seconds: 10, Channels: p.Channels}, true}}
	}},
	"maximum-level": {"where the path clips: 997 Hz over the last 24 dB up to the path's level, in steps of 0.2 dB", func(p *Path, level float64) []namedSignal {
		return one("maximum-level", stimulus.ToneSeries{Hz: stimulus.StandardHz, FromDBFS: max(-120, level-24), ToDBFS: level, StepDB: 0.2, StepSeconds: 0.6, Channels: p.Channels})
	}},
	"linearity": {"gain from the path's level down in steps of 5 dB (AES17)", func(p *Path, level float64) []namedSignal {
		s := stimulus.AES17Series(level)
		s.Channels = p.Channels
		return one("linearity", s)
	}},
	"crosstalk": {"each channel's tone in the others (AES17)", func(p *Path, level float64) (all []namedSignal) {
		for c := range p.Channels {
			all = append(all, namedSignal{fmt.Sprintf("crosstalk from channel %d", c+1), stimulus.Tone{Hz: stimulus.StandardHz, PeakDBFS: level, Seconds: 4, Channels: p.Channels, Only: c + 1}, false})
		}
		return all
	}},
	"balance": {"level of the channels against each other", func(p *Path, level float64) []namedSignal {
		return one("balance", stimulus.Tone{Hz: 1000, PeakDBFS: level, Seconds: 4, Channels: p.Channels})
	}},
	"static-curve": {"output level over input level of a stage that works by level", func(p *Path, level float64) []namedSignal {
		s := stimulus.StandardSteppedTone(level)
		s.Channels = p.Channels
		return one("static-curve", s)
	}},
	overshootTest: {"overshoot of a limiter over ceiling_dbtp, by the signals that limiters fail on", func(p *Path, level float64) []namedSignal {
		return stressSignals(p)
	}},
	"attack-release": {"times of a stage that works by level", func(p *Path, level float64) []namedSignal {
		s := stimulus.StandardLevelStep(level)
		s.Channels = p.Channels
		return one("attack-release", s)
	}},
}

// dynamicRangeTest is the name of the test with a tone of −60 dBFS.
const dynamicRangeTest = "dynamic-range"

func one(name string, s stimulus.Signal) []namedSignal { return []namedSignal{{name, s, false}} }

// TestNames returns the names of the built-in tests.
func TestNames() []string { return slices.Sorted(maps.Keys(tests)) }

// TestHelp describes a built-in test in one line.
func TestHelp(name string) string { return tests[name].help }

// signalsOf returns the stimuli of a test for a path, at a peak level in dBFS.
func (p *Plan) signalsOf(test string, path *Path, level float64) []namedSignal {
	for _, c := range p.Tests {
		if c.Name == test && c.signal != nil {
			return one(c.Name, c.signal)
		}
	}
	if t, known := tests[test]; known {
		return t.signals(path, level)
	}
	return nil
}

func (d *decoder) test(v *tomlfile.Value) {
	var t CustomTest
	for _, e := range v.Entries {
		switch e.Key {
		case "name":
			t.Name = d.String(e)
			if slices.Contains(TestNames(), t.Name) {
				d.Report(e.Value.At, tomlfile.Problem{Key: e.Key, Found: tomlfile.Quote(t.Name) + " is a built-in test", Accepted: "another name"})
			}
			for _, other := range d.plan.Tests {
				if other.Name == t.Name && t.Name != "" {
					d.Report(e.Value.At, tomlfile.Problem{Key: e.Key, Found: fmt.Sprintf("%s is also the name of the test in line %d", tomlfile.Quote(t.Name), other.line), Accepted: "another name"})
					break
				}
			}
			t.line = d.LineOf(e.Value.At.From)
		case "stimulus":
			t.signal = d.stimulus(e)
		default:
			d.Unknown(e, []string{"name", "stimulus"}, "")
		}
	}
	if t.Name == "" || v.Entry("stimulus") == nil {
		d.Report(v.At, tomlfile.Problem{Key: "[[test]]", Found: "no name or no stimulus", Accepted: `name = "…" and stimulus = "kind=tone hz=100 peak_dbfs=-20", a kind of boothbench tone with its settings`})
	}
	d.plan.Tests = append(d.plan.Tests, t)
}

func (d *decoder) stimulus(e tomlfile.Entry) stimulus.Signal {
	text := d.String(e)
	if text == "" {
		return nil
	}
	s, err := stimulus.Parse(text)
	if err == nil && len(instrument.For(s)) == 0 {
		err = fmt.Errorf("no instrument reads a response to %s", strings.TrimPrefix(strings.Fields(text)[0], "kind="))
	}
	if err != nil {
		d.Report(e.Value.At, tomlfile.Problem{Key: e.Key, Found: err.Error(), Accepted: `"kind=tone hz=100 peak_dbfs=-20", a kind of boothbench tone with its settings`})
		return nil
	}
	return s
}
