package dsp

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestOverScanFindsEveryInterval: the scan reports exactly the intervals that read over the
// limit, in order and with their readings, for noise, tones, steps, single samples,
// silence, the signals of which a row reads most, and mixtures of these. The reference reads every
// interval.
func TestOverScanFindsEveryInterval(t *testing.T) {
	guard := verifiedGuard().twin(1)
	rng := rand.New(rand.NewPCG(31, 32))
	signal := make([]float64, guard.margin+len(guard.target))
	const trials = 150
	found, skipped := 0, 0
	for range trials {
		clear(signal)
		for range 1 + rng.IntN(3) { // pieces, which may overlap
			from := rng.IntN(len(signal))
			to := from + rng.IntN(len(signal)-from) + 1
			kind, level, hz := rng.IntN(6), math.Exp(-4*rng.Float64()), math.Pi*rng.Float64()*rng.Float64()
			long := &guard.banks[0]
			row := long.rows[rng.IntN(len(long.rows))]
			for n := from; n < to; n++ {
				switch kind {
				case 5: // the signal of which a row reads most, between rows that a sketch has
					signal[n] += math.Copysign(level, row[(n-from)%len(row)])
				case 0:
					signal[n] += level * (2*rng.Float64() - 1)
				case 1:
					signal[n] += level * math.Sin(hz*float64(n))
				case 2:
					signal[n] += level
				case 3:
					signal[n] += level * float64(1-2*rng.IntN(2))
				case 4:
					if n == from {
						signal[n] += 1
					}
				}
			}
		}
		standard := rng.IntN(2) == 0
		guard.targetAll()
		if !standard {
			for k := range guard.target {
				guard.target[k] *= 1 - 0.3*rng.Float64()
			}
		}
		x := guard.weighted(signal, guard.target)
		guard.scan.of(x, signal)
		for i := range guard.banks {
			b := &guard.banks[i]
			largest := 0.0
			readings := make([]float64, len(x)-2*b.half+1)
			b.Peaks(x, readings) // readings[n−half+1] is that of interval n
			for n := guard.margin - b.half; n+b.half < len(x); n++ {
				largest = max(largest, readings[n-b.half+1])
			}
			limit := largest * (0.6 + 0.5*rng.Float64())
			if standard {
				guard.scan.beginStandard(b, guard.margin, limit, limit)
				guard.scan.knows(new(plainPeaks), 0, limit)
			} else {
				guard.scan.begin(b, guard.margin, limit)
			}
			n, peak := guard.scan.next()
			for want := guard.margin - b.half; want+b.half < len(x); want++ {
				reading := readings[want-b.half+1]
				switch {
				case reading <= limit:
					skipped++
				case n != want || peak != reading:
					t.Fatalf("a bank of %d taps, standard %v: interval %d reads %v, the limit is %v; the scan reports interval %d, %v", 2*b.half, standard, want, reading, limit, n, peak)
				default:
					found++
					n, peak = guard.scan.next()
				}
			}
			if n >= 0 {
				t.Fatalf("a bank of %d taps: the scan reports interval %d, %v; the limit is %v", 2*b.half, n, peak, limit)
			}
		}
	}
	if found < 20*trials || skipped < 20*trials {
		t.Errorf("%d intervals over and %d within: too few of one kind to test", found, skipped)
	}
}
