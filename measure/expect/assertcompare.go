package expect

import (
	"path/filepath"
	"testing"

	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/compare"
)

// Assertions that compare a sound with another one.

// Null fails the test where a sound differs from the wanted one by more than a level in
// dBFS, or lacks a part of it. Before that it is aligned, and brought to the level and
// polarity of the wanted one. Null logs the difference in words. On failure it writes it
// as difference.wav to the test's artefact folder (go test -artifacts).
func Null(t testing.TB, got, want Sound, mostDBFS float64) {
	t.Helper()
	like(t, got, want, compare.Settings{}, measure.AtMost("residual_dbfs", mostDBFS), measure.AtMost("missing_ms", 0))
}

// NullUnaligned is [Null] without alignment and without matching levels or polarity:
// frame by frame from the first ones on. A delay of one frame, or a gain of 0.1 dB, is
// then a difference.
func NullUnaligned(t testing.TB, got, want Sound, mostDBFS float64) {
	t.Helper()
	like(t, got, want, compare.Settings{Unaligned: true, Match: compare.LevelsAsTheyAre}, measure.AtMost("residual_dbfs", mostDBFS), measure.AtMost("missing_ms", 0))
}

// SameSound fails the test where a sound differs from the wanted one in any sample, or in
// length.
func SameSound(t testing.TB, got, want Sound) {
	t.Helper()
	c := like(t, got, want, compare.Settings{Unaligned: true, Match: compare.LevelsAsTheyAre}, measure.AtMost("changed_samples", 0))
	if c != nil && c.FramesA != c.FramesB {
		t.Errorf("%s: found %d frames, want %d as %s", got.name, c.FramesB, c.FramesA, want.name)
	}
}

// Latency fails the test where a sound is not later, by a number of frames, than the
// sound that it was made from: exactly where the delay is a whole number of frames, else
// within a hundredth.
func Latency(t testing.TB, got, of Sound, frames float64) {
	t.Helper()
	like(t, got, of, compare.Settings{}, measure.Between("delay_frames", frames, 0.01))
}

// like compares and judges; it returns nil where there is nothing to judge.
func like(t testing.TB, got, want Sound, s compare.Settings, limits ...measure.Limit) *compare.Comparison {
	t.Helper()
	c, err := compare.Sounds(t.Context(), want.Open, got.Open, s)
	if err != nil {
		t.Errorf("%s against %s: %v", got.name, want.name, err)
		return nil
	}
	readings, failed := c.Readings(), false
	for _, limit := range limits {
		j := measure.Judge(got.name, c.Rate, readings, limit)
		if j.Verdict == measure.Pass {
			t.Logf("%s\n%s", j, c.Summary())
			continue
		}
		failed = true
		t.Errorf("%s\n%s", j, c.Summary())
	}
	if !failed {
		return c
	}
	kept := filepath.Join(t.ArtifactDir(), "difference.wav")
	if err := keepDifference(t.Context(), kept, got, want); err != nil {
		t.Errorf("the difference could not be kept: %v", err)
	}
	return c
}
