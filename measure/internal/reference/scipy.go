package reference

import (
	"encoding/json"
	"os"
	"os/exec"
	"testing"
)

// Scipy runs a program for scipy.signal and decodes what it prints as JSON;
// without scipy the test is skipped, or fails with
// BOOTHBENCH_REFERENCES=required.
func Scipy(t testing.TB, program string, result any) {
	t.Helper()
	out, err := exec.Command("/usr/bin/python3", "-c", "import json\nimport numpy as np\nfrom scipy import signal\n"+program).Output()
	if err != nil {
		if os.Getenv("BOOTHBENCH_REFERENCES") == "required" {
			t.Fatalf("scipy: %v", err)
		}
		t.Skip("needs Debian's python3-scipy")
	}
	if err := json.Unmarshal(out, result); err != nil {
		t.Fatal(err)
	}
}
