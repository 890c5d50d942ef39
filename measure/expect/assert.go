package expect

import (
	"context"
	"testing"

	"github.com/boothbench/boothbench/measure"
)

// Reading fails the test if a reading of a sound does not meet a limit, and
// prints the reading, the limit and what to do. It accepts the readings of
// measure.Programme and take.Inspect. Digital silence meets no limit but that of a peak of
// -90 dBFS or less, which means silence.
func Reading(t testing.TB, s Sound, limit measure.Limit) {
	t.Helper()
	all, err := judge(t.Context(), s, limit)
	if err != nil {
		t.Errorf("%s: %v", s.name, err)
		return
	}
	for _, j := range all {
		hold(t, j)
	}
}

// judge holds a sound, or each of its channels, to a limit.
func judge(ctx context.Context, s Sound, limit measure.Limit) (all []measure.Judgement, err error) {
	if err := limit.Check(); err != nil {
		return nil, err
	}
	kind, known := originOf(limit.Reading)
	if !known || kind > ofInspection {
		return nil, unknownReading(limit.Reading)
	}
	m := newMeasured(ctx, s)
	readings, err := m.readings(source{origin: kind})
	if err != nil {
		return nil, err
	}
	if !silenceIsMeant([]measure.Limit{limit}) {
		why, err := m.nothing()
		if err != nil {
			return nil, err
		}
		if why != "" {
			all = append(all, silentFile(s.name, why))
		}
	}
	for _, each := range limit.InEachChannel(readings) {
		all = append(all, measure.Judge(s.name, m.rate, readings, each))
	}
	return all, nil
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
