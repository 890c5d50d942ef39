// Package reference runs reference programs for tests: scipy, and C programs that are
// compiled against reference libraries. Such a test is skipped where its library is
// missing, and by default, since a start of scipy or gcc takes a second; it runs with
// BOOTHBENCH_EXHAUSTIVE set, and with BOOTHBENCH_REFERENCES=required it must.
package reference

import (
	"os"
	"testing"
)

func required() bool { return os.Getenv("BOOTHBENCH_REFERENCES") == "required" }

// skipUnlessAsked skips a test unless long tests or all references are asked for. (The
// name of the first variable is dsptest.ExhaustiveVariable; the tests inside of dsp
// cannot import that package.)
func skipUnlessAsked(t testing.TB) {
	t.Helper()
	if _, isTest := t.(*testing.T); isTest && !required() && os.Getenv("BOOTHBENCH_EXHAUSTIVE") == "" {
		t.Skip("a test against a reference library: set BOOTHBENCH_EXHAUSTIVE=1 to run it")
	}
}

// missing skips a test that lacks its reference, or fails it where references are
// required.
func missing(t testing.TB, what string, err error, out []byte) {
	t.Helper()
	if required() {
		t.Fatalf("%s: %v\n%s", what, err, out)
	}
	t.Skip("needs " + what)
}
