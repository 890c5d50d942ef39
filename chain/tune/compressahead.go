package tune

import (
	"errors"
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
)

// compressAhead is the advice where a limiter alone would have to limit too much. A delivery
// names values for it.
const compressAhead = "compress ahead of the limiter, or aim lower"

// The compressors that are tried: thresholds lower by these steps than that of the chain, or
// than the loudness ahead of the limiter where it has none, first at its ratio and then at a
// higher one. (own choice)
const (
	compressStepDB, mostCompressStepsDB = 4, 16
	freshRatio, highRatio               = 3, 6
)

// adviseCompression names the values of a compressor with which the chain meets the target, by a
// run of the changed chain up to its limiter and the forecast of the limiter.
func (d *delivery) adviseCompression() (string, error) {
	lufs, _ := measure.PooledLoudness(d.solution.forecast.profiles(0)...)
	threshold, ratio, has := max(-80, min(0, math.Round(lufs))), float64(freshRatio), false
	_, stage := withCompression(split(d.chain), threshold, ratio)
	if stage < len(d.chain.Stages) {
		if s, ok := d.chain.Stages[stage].Settings.(dsp.CompressorSettings); ok {
			threshold, ratio, has = s.ThresholdDBFS, s.Ratio, true
		}
	}
	for _, ratio := range []float64{ratio, max(ratio, highRatio)} {
		for by := float64(compressStepDB); by <= mostCompressStepsDB; by += compressStepDB {
			changed, stage := withCompression(split(d.chain), max(-100, threshold-by), ratio)
			with := newDelivery(d.ctx, changed, d.target, d.jobs, d.Settings)
			analyses, err := with.analyse()
			if err != nil {
				return "", err
			}
			solution, err := Solve(changed, d.target, analyses...)
			var refused *Refusal
			switch {
			case errors.As(err, &refused):
				continue
			case err != nil:
				return "", err
			}
			what := "put a compressor ahead of the limiter"
			if has {
				what = fmt.Sprintf("change the stage %q", changed.Stages[stage].Name)
			}
			return fmt.Sprintf("%s: with threshold_dbfs = %.4g and ratio = %.4g the limiter is predicted to take %.1f dB (95th percentile); or aim lower", what, max(-100, threshold-by), ratio, solution.Cost.P95DB), nil
		}
	}
	return fmt.Sprintf("aim lower: a compressor with threshold_dbfs = %.4g and ratio = %.4g is not enough either", max(-100, threshold-mostCompressStepsDB), max(ratio, highRatio)), nil
}
