package instrument

import (
	"math"
	"testing"

	"github.com/boothbench/boothbench/dsp/dsptest/reference"
	"github.com/boothbench/boothbench/measure/internal/weighting"
)

// The notch and the weightings against scipy.signal.freqs of their transfer functions: IEC
// 61672-1's poles for A, and the ladder of BS.468-4's figure 1a, computed as a product of chain
// matrices (600 Ω to 600 Ω). The printed component values determine the network to 0.01 dB in
// the audio band.
func TestFiltersAgainstScipy(t *testing.T) {
	var want struct{ Hz, Notch, A, Network []float64 }
	reference.Scipy(t, `
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
			{"A", weighting.A(hz), want.A[i], 1e-5}, // the poles' printed digits
			{"BS.468", weighting.BS468(hz), want.Network[i], 0.01},
			{"CCIR-RMS", weighting.CCIRRMS(hz), want.Network[i] - 5.63, 0.01},
		} {
			if got := 10 * math.Log10(c.got); math.Abs(got-c.want) > c.tolerance {
				t.Errorf("%s at %g Hz: %.6f dB, scipy has %.6f", c.name, hz, got, c.want)
			}
		}
	}
}
