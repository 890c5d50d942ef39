package dsptest

import (
	"os"
	"testing"
)

// ExhaustiveVariable is the name of the environment variable that switches the
// long tests on.
const ExhaustiveVariable = "BOOTHBENCH_EXHAUSTIVE"

// IsExhaustive reports whether long tests are to run: whether
// BOOTHBENCH_EXHAUSTIVE is set to anything but the empty string. A test uses it
// to choose how many cases it draws.
func IsExhaustive() bool { return os.Getenv(ExhaustiveVariable) != "" }

// Exhaustive skips a test that takes seconds rather than milliseconds, unless
// BOOTHBENCH_EXHAUSTIVE is set, as it is in .ci/run.
func Exhaustive(t testing.TB) {
	t.Helper()
	if !IsExhaustive() {
		t.Skip("a long test: set " + ExhaustiveVariable + "=1 to run it")
	}
}

// Some returns the cases that a test runs: the first n, or all where
// BOOTHBENCH_EXHAUSTIVE is set.
func Some[T any](n int, cases []T) []T {
	if IsExhaustive() {
		return cases
	}
	return cases[:min(n, len(cases))]
}
