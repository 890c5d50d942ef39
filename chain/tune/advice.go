package tune

import (
	"context"
	"errors"
	"fmt"
	"io"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
)

// Advise completes the advice of judgements of one sound. For a loudness outside its limits it
// names the key to change, aims at the middle of the tolerance, and forecasts by how much a
// limiter will lower the loudness. It opens the sound once more, and only if there is such a
// judgement. Other judgements are not changed.
func Advise(ctx context.Context, open func() (wave.Source, error), judgements []measure.Judgement) error {
	ceiling := -1.0 // EBU R 128; used where no limit states a ceiling
	missed := -1
	for i, j := range judgements {
		switch _, both := j.Middle(); {
		case j.Reading == "true_peak_dbtp" && j.Max != nil:
			ceiling = max(-60, min(0, *j.Max))
		case j.Reading == "integrated_lufs" && j.Verdict == measure.Fail && both && j.Got.Measurable():
			missed = i
		}
	}
	if missed < 0 {
		return nil
	}
	j := &judgements[missed]
	aim, _ := j.Middle()
	by := aim - j.Got.Value
	if by < 0 {
		j.Advice = fmt.Sprintf("lower drive_db of the chain's limiter by about %.2f dB, to the middle of the tolerance, %g LUFS; boothbench deliver finds it", -by, aim)
		return nil
	}
	src, err := open()
	if err != nil {
		return err
	}
	if c, ok := src.(io.Closer); ok {
		defer c.Close()
	}
	limiter := &chain.Chain{Path: "a limiter", Stages: []chain.Stage{{
		Kind: "limiter", Name: "limiter", Enabled: true,
		Settings: dsp.LimiterSettings{CeilingDBTP: ceiling, LookaheadMs: 3, LinkChannels: true, Verify: true},
	}}}
	a, err := Analyse(ctx, limiter, src, AnalyseOptions{})
	if err != nil {
		return err
	}
	s, err := Solve(limiter, Target{LoudnessLUFS: aim, TruePeakDBTP: ceiling}, a)
	var refusal *Refusal
	switch {
	case errors.As(err, &refusal):
		j.Advice = fmt.Sprintf("a limiter at %g dBTP does not bring it to the middle of the tolerance, %g LUFS: %v", ceiling, aim, err)
	case err != nil:
		return err
	default:
		j.Advice = fmt.Sprintf("raise drive_db of the chain's limiter by about %.2f dB: %.2f to the middle of the tolerance, %g LUFS, and %.2f that a limiter at %g dBTP takes; boothbench deliver finds it", s.GainDB, by, aim, max(0, s.GainDB-by), ceiling)
	}
	return nil
}
