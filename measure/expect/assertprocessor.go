package expect

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// Assertions about what a processor does to test signals.

// Measured fails the test where readings of an instrument of package instrument do
// not meet limits. With more than one channel, each channel has to meet them.
//
// The instrument's stimulus has as many channels as its own settings say, whatever
// the processor's say.
func Measured(t testing.TB, p Processor, i instrument.Instrument, limits ...measure.Limit) {
	t.Helper()
	if len(limits) == 0 {
		t.Errorf("%s: found no limit; accepted: at least one", p.name())
		return
	}
	response, err := p.response(i.Stimulus())
	var readings measure.Readings
	if err == nil {
		readings, err = i.Analyse(p.rate(), response)
	}
	if err != nil {
		t.Errorf("%s: %v", p.about(i.Stimulus()), err)
		return
	}
	for _, limit := range limits {
		for _, each := range limit.InEachChannel(readings) {
			hold(t, measure.Judge(p.about(i.Stimulus()), p.rate(), readings, each))
		}
	}
}

// response is the device's response to a signal. A sample that is NaN or infinite is an error,
// also in a part that no reading takes.
func (p Processor) response(s stimulus.Signal) (dsp.Block, error) {
	sound, err := s.Make(p.rate())
	if err != nil {
		return nil, err
	}
	out, err := p.run(sound)
	if err != nil {
		return nil, err
	}
	for c, plane := range out {
		if n := planes.FirstNonFinite(dsp.Block{plane}); n >= 0 {
			return nil, fmt.Errorf("channel %d is %g at %s (frame %d); accepted: finite samples", c+1, plane[n], measure.TimeCode(int64(n), p.rate()), n)
		}
	}
	return out, nil
}

// about is the subject of a judgement: the processor and the signal.
func (p Processor) about(s stimulus.Signal) string { return p.name() + ", " + s.Kind() }

// hold fails the test where a limit is not met, and logs the place.
func hold(t testing.TB, j measure.Judgement) {
	t.Helper()
	if j.Verdict != measure.Pass {
		t.Error(j)
		return
	}
	t.Log(j)
}

// IdleNoise fails the test where the output of a processor for digital zero exceeds a
// level in dBFS (AES17-2015: rms from 20 Hz to 20 kHz, a full-scale sine is 0). An output
// of exactly 0 meets every limit, but only from a processor that passes a tone of -20
// dBFS, since a muted one has no noise either. A gate, an expander or a compressor has to
// be off, since the figure would depend on its gain.
func IdleNoise(t testing.TB, p Processor, mostDBFS float64) {
	t.Helper()
	tone := stimulus.StandardTone(stimulus.DefaultPeakDBFS)
	tone.Seconds, tone.Channels = 0.2, p.channels()
	passed, err := p.response(tone)
	if err != nil {
		t.Errorf("%s: %v", p.about(tone), err)
		return
	}
	for c, plane := range passed {
		if silent(plane) {
			t.Errorf("%s: channel %d is exactly 0: no noise can be measured of a processor that passes nothing", p.about(tone), c+1)
			return
		}
	}
	const seconds = 3 // two are measured, after a second in which the device settles
	i := instrument.IdleNoise{Seconds: seconds, Channels: p.channels()}
	response, err := p.response(i.Stimulus())
	var readings measure.Readings
	if err == nil {
		readings, err = i.Analyse(p.rate(), response)
	}
	if err != nil {
		t.Errorf("%s: %v", p.about(i.Stimulus()), err)
		return
	}
	limit := measure.AtMost("idle_noise_dbfs", mostDBFS)
	for c, each := range limit.InEachChannel(readings) {
		if settled := response[c][p.rate():]; silent(settled) {
			readings = levelReading(each.Reading, math.Inf(-1), "dBFS").With(readings)
		}
		hold(t, measure.Judge(p.about(i.Stimulus()), p.rate(), readings, each))
	}
}

func silent(x []float64) bool {
	for _, v := range x {
		if v != 0 { // NaN is not silent either
			return false
		}
	}
	return true
}

// Attack fails the test where an attack time constant in ms differs from the wanted one
// by more than a tolerance. It is measured after a step up in level, from where the gain
// has changed by 0.1 % to where it has changed by 63.2 %, of the change in dB. [Measured]
// judges the times by the other usual definitions, such as attack_10_90_ms.
func Attack(t testing.TB, p Processor, step stimulus.LevelStep, wantMs, toleranceMs float64) {
	t.Helper()
	step.Channels = p.channels()
	Measured(t, p, instrument.StepResponse{Step: step}, measure.Between("attack_ms", wantMs, toleranceMs))
}

// Release is [Attack] for the step down, after which the gain rises again.
func Release(t testing.TB, p Processor, step stimulus.LevelStep, wantMs, toleranceMs float64) {
	t.Helper()
	step.Channels = p.channels()
	Measured(t, p, instrument.StepResponse{Step: step}, measure.Between("release_ms", wantMs, toleranceMs))
}

// StaticCurve fails the test where the output for one of the levels of a stepped tone,
// once settled, differs from the wanted level by more than a tolerance in dB. Levels are
// peaks of a sine in dBFS. It names the worst step.
func StaticCurve(t testing.TB, p Processor, tone stimulus.SteppedTone, wantDBFS func(inDBFS float64) float64, toleranceDB float64) {
	t.Helper()
	tone.Channels = p.channels()
	response, err := p.response(tone)
	if err != nil {
		t.Errorf("%s: %v", p.about(tone), err)
		return
	}
	for c, plane := range response {
		up, down, err := instrument.StaticCurve{Tone: tone}.Points(p.rate(), plane)
		if err != nil {
			t.Errorf("%s, channel %d: %v", p.about(tone), c+1, err)
			continue
		}
		var worst measure.Judgement
		most := -1.0
		for i, point := range slices.Concat(up, down) {
			want := wantDBFS(point.InDBFS)
			way := ""
			if tone.Back {
				way = map[bool]string{true: " on the way up", false: " on the way down"}[i < len(up)]
			}
			subject := fmt.Sprintf("%s, channel %d, %g dBFS in%s", p.about(tone), c+1, point.InDBFS, way)
			readings := levelReading("out_dbfs", point.OutDBFS, "dBFS")
			j := measure.Judge(subject, 0, readings, measure.Between("out_dbfs", want, toleranceDB))
			if off := farther(point.OutDBFS, want); off > most {
				worst, most = j, off
			}
		}
		hold(t, worst)
	}
}

// Overshoot fails the test where the fine reading of a processor's output exceeds a
// ceiling in dBTP by more than a level in dB, on any of the signals of
// stimulus.LimiterStressSet, which are hard for limiters. It names the worst signal, its
// part and the time.
func Overshoot(t testing.TB, p Processor, ceilingDBTP, mostDB float64) {
	t.Helper()
	overshoot(t, p, ceilingDBTP, mostDB, stimulus.LimiterStressSet(ceilingDBTP, p.channels()))
}

func overshoot(t testing.TB, p Processor, ceilingDBTP, mostDB float64, signals []stimulus.LimiterStress) {
	t.Helper()
	var worst *measure.Judgement
	for _, s := range signals {
		name := p.name() + ", " + s.Name()
		readings, err := p.overshootReadings(s, ceilingDBTP)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			return
		}
		r, _ := readings.Get("overshoot_fine_db")
		if part := s.PartAt(p.rate(), r.Frame); r.Frame >= 0 && part != "" {
			name += " (" + part + ")"
		}
		j := measure.Judge(name, p.rate(), readings, measure.AtMost("overshoot_fine_db", mostDB))
		if j.Verdict == measure.Undecided {
			t.Error(j)
			return
		}
		if worst == nil || j.Got.Measurable() && (!worst.Got.Measurable() || j.Got.Value > worst.Got.Value) {
			worst = &j
		}
	}
	hold(t, *worst)
}

func (p Processor) overshootReadings(s stimulus.LimiterStress, ceilingDBTP float64) (measure.Readings, error) {
	response, err := p.response(s)
	if err != nil {
		return nil, err
	}
	for c, plane := range response {
		if silent(plane) {
			return nil, fmt.Errorf("channel %d is exactly 0: a processor that passes nothing exceeds nothing", c+1)
		}
	}
	o, err := instrument.NewOvershoot(measure.OverSettings{Rate: p.rate(), Channels: len(response), CeilingDBTP: ceilingDBTP, MostEvents: 1})
	if err != nil {
		return nil, err
	}
	o.Write(response)
	return o.Readings(), nil
}
