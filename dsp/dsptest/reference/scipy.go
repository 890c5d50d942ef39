package reference

import (
	"encoding/json"
	"os/exec"
	"testing"
)

// Scipy runs a program for scipy.signal and decodes what it prints as JSON.
func Scipy(t testing.TB, program string, result any) {
	t.Helper()
	skipUnlessAsked(t)
	out, err := exec.Command("/usr/bin/python3", "-c", "import json\nimport numpy as np\nfrom scipy import signal\n"+program).Output()
	if err != nil {
		missing(t, "Debian's python3-scipy", err, out)
	}
	if err := json.Unmarshal(out, result); err != nil {
		t.Fatal(err)
	}
}
