package expect

import (
	"context"
	"testing"

	"github.com/boothbench/boothbench/measure"
)

// Reading fails the test where a reading of a sound does not meet a limit, and
// prints the reading, the limit and what to do. It knows the readings of
// measure.Programme and take.Inspect.
func Reading(t testing.TB, s Sound, limit measure.Limit) {
	t.Helper()
	j, err := judge(t.Context(), s, limit)
	switch {
	case err != nil:
		t.Errorf("%s: %v", s.name, err)
	case j.Verdict != measure.Pass:
		t.Error(j)
	default:
		t.Log(j)
	}
}

func judge(ctx context.Context, s Sound, limit measure.Limit) (measure.Judgement, error) {
	m := newMeasured(ctx, s)
	if err := limit.Check(); err != nil {
		return measure.Judgement{}, err
	}
	kind, known := originOf(limit.Reading)
	if !known || kind > ofInspection {
		return measure.Judgement{}, unknownReading(limit.Reading)
	}
	readings, err := m.readings(source{origin: kind})
	return measure.Judge(s.name, m.rate, readings, limit), err
}

// TruePeakAtMost fails the test where the true peak exceeds a level in dBTP, by
// the fine reading.
func TruePeakAtMost(t testing.TB, s Sound, mostDBTP float64) {
	t.Helper()
	Reading(t, s, measure.AtMost("true_peak_fine_dbtp", mostDBTP))
}

// Loudness fails the test where the integrated loudness is further from a target
// in LUFS than a tolerance in LU. One channel is measured as one.
func Loudness(t testing.TB, s Sound, targetLUFS, toleranceLU float64) {
	t.Helper()
	Reading(t, s, measure.Between("integrated_lufs", targetLUFS, toleranceLU))
}

// NoiseFloor fails the test where the noise in the pauses exceeds a level in
// dBFS, unweighted from 20 Hz to 20 kHz.
func NoiseFloor(t testing.TB, s Sound, mostDBFS float64) {
	t.Helper()
	Reading(t, s, measure.AtMost("noise_floor_dbfs", mostDBFS))
}
