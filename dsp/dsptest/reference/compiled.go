package reference

import (
	"os/exec"
	"path/filepath"
	"testing"
)

// Compiled compiles a C program (path/name.c) with the libraries that it needs, such as
// "-lebur128", and gives the path of the result. Benchmarks always get it.
func Compiled(t testing.TB, source string, libraries ...string) string {
	t.Helper()
	skipUnlessAsked(t)
	program := filepath.Join(t.TempDir(), "reference")
	args := append([]string{"-O2", "-o", program, source}, libraries...)
	if out, err := exec.Command("gcc", args...).CombinedOutput(); err != nil {
		missing(t, "gcc and Debian's libebur128-dev and libsndfile1-dev", err, out)
	}
	return program
}
