package measure

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"testing"
)

// scipy runs a program for scipy.signal and decodes what it prints as JSON;
// without scipy the test is skipped, or fails with
// BOOTHBENCH_REFERENCES=required.
func scipy(t testing.TB, program string, result any) {
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

// The power spectrum against scipy.signal.welch, with the window made by
// scipy.signal.windows.general_cosine. Both are double precision over the same
// sums: 1e-11 of a full-scale bin.
func TestPowerSpectrumAgainstScipy(t *testing.T) {
	const frames, rate, length = 131072, 48000, 65536
	x := make([]float64, frames)
	for n := range x {
		f := float64(n)
		x[n] = math.Sin(0.1*f) + 0.01*math.Sin(0.37*f*f)
	}
	var want []float64
	scipy(t, fmt.Sprintf(`
n = np.arange(%d, dtype=float)
x = np.sin(0.1 * n) + 0.01 * np.sin(0.37 * n * n)
w = signal.windows.general_cosine(%d, [0.27105140069342, 0.43329793923448, 0.21812299954311, 0.06592544638803, 0.01081174209837, 0.00077658482522, 0.00001388721735], sym=False)
f, p = signal.welch(x, %d, window=w, nperseg=%d, noverlap=%d*3//4, detrend=False, scaling="density")
print(json.dumps(list(p * %d / %d)))`, frames, length, rate, length, length, rate, length), &want)
	got := newPowerSpectrum(x, rate)
	if len(got.power) != len(want) {
		t.Fatalf("%d bins, scipy has %d", len(got.power), len(want))
	}
	for k, v := range got.power {
		if v /= float64(got.blocks); math.Abs(v-want[k]) > 1e-11 {
			t.Fatalf("bin %d: %g, scipy has %g", k, v, want[k])
		}
	}
}

// The notch and the weightings against scipy.signal.freqs of their transfer
// functions: IEC 61672-1's poles for A, the ladder of BS.468-4's figure 1a worked
// as a product of chain matrices (600 Ω to 600 Ω). The printed components give the
// network to 0.01 dB in the audio band.
func TestFiltersAgainstScipy(t *testing.T) {
	var want struct{ Hz, Notch, A, Network []float64 }
	scipy(t, `
f = np.array([20, 50, 100, 315, 900, 1000, 1994, 2991, 6300, 10000, 16000, 20000.0])
w = 2 * np.pi * f
w0 = 2 * np.pi * 997
notch = signal.freqs([1, 0, w0**2], [1, w0 / 3, w0**2], worN=w)[1]
p = -2 * np.pi * np.array([20.598997] * 2 + [107.65265, 737.86223] + [12194.217] * 2)
a = abs(signal.freqs_zpk([0] * 4, p, 1, worN=w)[1])
a /= abs(signal.freqs_zpk([0] * 4, p, 1, worN=[2 * np.pi * 1000])[1])
def ladder(w):
    s = 1j * w
    m = np.eye(2, dtype=complex)
    shunt = lambda y: np.array([[1, 0], [y, 1]])
    series = lambda z: np.array([[1, z], [0, 1]])
    for x in (series(600), shunt(s * 13.85e-9), series(s * 12.88e-3), shunt(s * 26.82e-9), series(1 / (s * 33.06e-9)), shunt(s * 9.21e-9), series(s * 26.49e-3), shunt(s * 31.47e-9), shunt(1 / 600)):
        m = m @ x
    return abs(1 / m[0, 0])
n = np.array([ladder(x) for x in w]) / ladder(2 * np.pi * 1000)
db = lambda h: list(20 * np.log10(abs(h)))
print(json.dumps(dict(Hz=list(f), Notch=db(notch), A=db(a), Network=db(n))))`, &want)
	for i, hz := range want.Hz {
		for _, c := range []struct {
			name                 string
			got, want, tolerance float64
		}{
			{"notch", notch(997)(hz), want.Notch[i], 1e-9},
			{"A", weightA(hz), want.A[i], 1e-5}, // the poles' printed digits
			{"BS.468", weight468(hz), want.Network[i], 0.01},
			{"CCIR-RMS", weightCCIRRMS(hz), want.Network[i] - 5.63, 0.01},
		} {
			if got := 10 * math.Log10(c.got); math.Abs(got-c.want) > c.tolerance {
				t.Errorf("%s at %g Hz: %.6f dB, scipy has %.6f", c.name, hz, got, c.want)
			}
		}
	}
}
