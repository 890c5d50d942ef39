package expect

import (
	"context"
	"fmt"
	"strings"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/take"
)

// throughChain are the readings of a chain's output for a sound, and how much the chain's
// stages reduce; and the faults of its two channels. No file is written.
func throughChain(ctx context.Context, sound Sound, path string) (measure.Readings, []string, error) {
	c, err := chain.Load(path)
	if err != nil {
		return nil, nil, err
	}
	src, err := sound.Open()
	if err != nil {
		return nil, nil, err
	}
	defer planes.Close(src)
	f := src.Format()
	engine, err := c.Prepare(f.Rate, f.Channels)
	if err != nil {
		return nil, nil, err
	}
	meter, err := measure.NewProgrammeMeter(f, measure.AsIs)
	if err != nil {
		return nil, nil, err
	}
	gains := chain.NewGains(0)
	sink := &meterSink{format: f, meter: meter}
	result, err := engine.Run(ctx, src, sink, chain.Options{Gains: gains, Workers: 1})
	if err != nil {
		return nil, nil, err
	}
	readings := append(measure.FormatReadings(f, result.Frames), meter.Readings()...)
	return append(readings, reductionReadings(engine.Plan(), gains.Stages())...), sink.pair.Faults(f.Rate), nil
}

// meterSink hands sound to meters.
type meterSink struct {
	format wave.Format
	meter  *measure.ProgrammeMeter
	pair   take.Pair
}

func (s *meterSink) Format() wave.Format { return s.format }

func (s *meterSink) Write(b dsp.Block) error {
	s.meter.Write(b)
	s.pair.Write(b)
	return nil
}

// unitSuffixes end the names of readings.
var unitSuffixes = map[string]string{"dB": "_db", "%": "_percent"}

// reductionReadings are, for each kind of stage, the median, the 95th percentile and the
// largest reduction over the time in which the stage works, and the share of that time.
// Of several stages of one kind the largest value counts.
func reductionReadings(plan []chain.StagePlan, stages []chain.StageGains) measure.Readings {
	var readings measure.Readings
	working := fmt.Sprintf("milliseconds with %g dB of reduction or more", chain.WorkingDB)
	seen := map[int]bool{}
	for _, g := range stages {
		if seen[g.Stage] { // a verification follows its limiter
			continue
		}
		seen[g.Stage] = true
		kind := strings.ReplaceAll(plan[g.Stage].Kind, "-", "_")
		for _, part := range []struct {
			name, unit, definition string
			value                  float64
		}{
			{"reduction_median", "dB", "median over the " + working, g.Reduction.MedianDB},
			{"reduction_p95", "dB", "95th percentile over the " + working, g.Reduction.P95DB},
			{"reduction_most", "dB", "largest reduction", g.Reduction.LargestDB},
			{"working", "%", working + ", of all", 100 * g.Reduction.WorkingShare},
		} {
			name := kind + "_" + part.name + unitSuffixes[part.unit]
			r := measure.Reading{Value: part.value, Unit: part.unit, Definition: part.definition, Frame: -1, Channel: -1}
			known := false
			for i := range readings {
				if readings[i].Name == name {
					known = true
					readings[i].Value = max(readings[i].Value, r.Value)
				}
			}
			if !known {
				readings = append(readings, measure.Named{Name: name, Reading: r})
			}
		}
	}
	return readings
}
