package spectra

import (
	"fmt"
	"math"
	"testing"

	"github.com/boothbench/boothbench/dsp/dsptest/reference"
)

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
	reference.Scipy(t, fmt.Sprintf(`
n = np.arange(%d, dtype=float)
x = np.sin(0.1 * n) + 0.01 * np.sin(0.37 * n * n)
w = signal.windows.general_cosine(%d, [0.27105140069342, 0.43329793923448, 0.21812299954311, 0.06592544638803, 0.01081174209837, 0.00077658482522, 0.00001388721735], sym=False)
f, p = signal.welch(x, %d, window=w, nperseg=%d, noverlap=%d*3//4, detrend=False, scaling="density")
print(json.dumps(list(p * %d / %d)))`, frames, length, rate, length, length, rate, length), &want)
	got := Of(x, rate)
	if len(got.Sums()) != len(want) {
		t.Fatalf("%d bins, scipy has %d", len(got.Sums()), len(want))
	}
	for k, v := range got.Sums() {
		if v /= float64(got.Blocks); math.Abs(v-want[k]) > 1e-11 {
			t.Fatalf("bin %d: %g, scipy has %g", k, v, want[k])
		}
	}
}

// A click counts with its energy wherever it lies. The squares of the window, an eighth apart,
// add up to a constant within 5 %. A length that is no multiple of that is filled with up to a
// sixteenth of a block of mirrored sound at each end: there a click counts up to 1.6 times,
// which is 2 dB. (Without the ends it counts 1e-8 times.)
func TestEveryFrameHasTheSameWeight(t *testing.T) {
	const rate = 8000
	for _, frames := range []int{1000, 16384, 16385, 18400, 30001, 65535} {
		for _, at := range []int{0, 1, frames / 50, frames / 7, frames / 2, frames - 300, frames - 1} {
			x := make([]float64, frames)
			x[at] = 1
			got := OfWhole(x, rate).Level(func(float64) float64 { return 1 }) * float64(frames)
			if got < 0.9 || got > 1.6 {
				t.Errorf("%d frames, a click at %d: %.3f of its energy", frames, at, got)
			}
		}
	}
}
