package reference

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

func CompiledReference(t testing.TB, name string, libraries ...string) string {
	t.Helper()
	program := filepath.Join(t.TempDir(), name)
	args := append([]string{"-O2", "-o", program, "testdata/" + name + ".c"}, libraries...)
	if out, err := exec.Command("gcc", args...).CombinedOutput(); err != nil {
		if os.Getenv("BOOTHBENCH_REFERENCES") == "required" {
			t.Fatalf("gcc: %v\n%s", err, out)
		}
		t.Skip("needs gcc and Debian's libebur128-dev and libsndfile1-dev")
	}
	return program
}
