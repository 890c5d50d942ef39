package dsp

import (
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
)

// annex2Printed is the table of Rec. ITU-R BS.1770-5 Annex 2 as printed, one
// row per k, phases 0 to 3 in columns.
var annex2Printed = [12][4]float64{
	{0.0017089843750, -0.0291748046875, -0.0189208984375, -0.0083007812500},
	{0.0109863281250, 0.0292968750000, 0.0330810546875, 0.0148925781250},
	{-0.0196533203125, -0.0517578125000, -0.0582275390625, -0.0266113281250},
	{0.0332031250000, 0.0891113281250, 0.1015625000000, 0.0476074218750},
	{-0.0594482421875, -0.1665039062500, -0.2003173828125, -0.1022949218750},
	{0.1373291015625, 0.4650878906250, 0.7797851562500, 0.9721679687500},
	{0.9721679687500, 0.7797851562500, 0.4650878906250, 0.1373291015625},
	{-0.1022949218750, -0.2003173828125, -0.1665039062500, -0.0594482421875},
	{0.0476074218750, 0.1015625000000, 0.0891113281250, 0.0332031250000},
	{-0.0266113281250, -0.0582275390625, -0.0517578125000, -0.0196533203125},
	{0.0148925781250, 0.0330810546875, 0.0292968750000, 0.0109863281250},
	{-0.0083007812500, -0.0189208984375, -0.0291748046875, 0.0017089843750},
}

func TestAnnex2IsThePrintedTable(t *testing.T) {
	b := Annex2()
	if b.Half() != 6 || b.Rows() != 4 {
		t.Fatalf("%d rows of half %d, want 4 of 6", b.Rows(), b.Half())
	}
	for p := range 4 {
		row := b.Row(p)
		for k := range 12 {
			// Convolution order: y = Σ h[k] x[newest−k].
			if want := annex2Printed[k][p]; row[11-k] != want {
				t.Errorf("phase %d, k %d: %v, printed %v", p, k, row[11-k], want)
			}
			if scaled := row[k] * 8192; scaled != math.Round(scaled) {
				t.Errorf("phase %d: tap × 8192 = %v is no integer", p, scaled)
			}
			if row[k] != b.Row(3 - p)[11-k] {
				t.Errorf("phase %d, tap %d is not phase %d reversed", p, k, 3-p)
			}
		}
	}
	// Sum of |taps| of phases 1 and 2, +6.119 dB: the largest reading over
	// samples at full scale (follows from the table).
	if l1 := b.L1(); math.Abs(l1-16571.0/8192) > 1e-9 {
		t.Errorf("L1 %v, want %v", l1, 16571.0/8192)
	}
}

// TestRowsReadARampAtTheirPositions reads a ramp: a bank with the right index convention reads n +
// position, apart from the moments of its own design.
func TestRowsReadARampAtTheirPositions(t *testing.T) {
	for name, c := range map[string]struct {
		bank *Polyphase
		tol  float64
	}{
		// Annex 2's outer rows lean by 0.048 of an interval, its inner ones by
		// 0.077 (first moments of the printed table): less than the 0.125 that
		// would let two rows change places.
		"annex 2":         {Annex2(), 0.08},
		"16x32 beta 6.5":  {WindowedSinc(16, 32, 6.5), 2e-3},
		"64x256 beta 10":  {WindowedSinc(64, 256, 10), 1e-4},
		"odd phases 5x16": {WindowedSinc(5, 16, 6.5), 5e-3},
	} {
		window := make([]float64, 2*c.bank.Half())
		for j := range window {
			window[j] = float64(j - c.bank.Half() + 1) // sample n is 0
		}
		for p := range c.bank.Rows() {
			if got := c.bank.Read(p, window); math.Abs(got-c.bank.Position(p)) > c.tol {
				t.Errorf("%s: row %d reads %v on a ramp, want its position %v", name, p, got, c.bank.Position(p))
			}
		}
	}
}

// TestWindowedSincReadsSines compares readings with the sine itself.
func TestWindowedSincReadsSines(t *testing.T) {
	for _, c := range []struct {
		phases, taps int
		beta         float64
		upTo, tol    float64 // cycles per sample, absolute error
	}{
		// Ripple of a Kaiser window: 10^(−A/20), A = beta/0.1102 + 8.7 dB
		// (Kaiser 1974): 68 dB for beta 6.5, 99 dB for beta 10; the band edge
		// is half the transition width (A−8)/(28.7·taps) below 1/2.
		{16, 32, 6.5, 0.43, 6e-4},
		{64, 256, 10, 0.487, 2e-5},
	} {
		b := WindowedSinc(c.phases, c.taps, c.beta)
		window := make([]float64, c.taps)
		var worst float64
		for f := 0.0; f <= c.upTo; f += 0.0173 {
			for phase := 0.0; phase < 6; phase += 0.7 {
				for j := range window {
					window[j] = math.Cos(2*math.Pi*f*float64(j-b.Half()+1) + phase)
				}
				for p := range b.Rows() {
					want := math.Cos(2*math.Pi*f*b.Position(p) + phase)
					worst = max(worst, math.Abs(b.Read(p, window)-want))
				}
			}
		}
		if worst > c.tol {
			t.Errorf("%dx%d: error %g up to %g of the rate, accepted %g", c.phases, c.taps, worst, c.upTo, c.tol)
		}
		t.Logf("%dx%d: error %.2g, L1 %.4f", c.phases, c.taps, worst, b.L1())
	}
}

func TestPeakIsTheLargestRow(t *testing.T) {
	for _, b := range []*Polyphase{Annex2(), WindowedSinc(16, 32, 6.5), WindowedSinc(5, 16, 8), WindowedSinc(64, 256, 10)} {
		rng := rand.New(rand.NewPCG(1, uint64(b.Rows())))
		window := make([]float64, 2*b.Half())
		for range 50 {
			for j := range window {
				window[j] = rng.Float64()*2 - 1
			}
			var want float64
			for p := range b.Rows() {
				want = max(want, math.Abs(b.Read(p, window)))
			}
			// The two orders of summation differ by rounding.
			if got := b.Peak(window); math.Abs(got-want) > 1e-13 {
				t.Fatalf("%d rows: peak %v, rows read %v", b.Rows(), got, want)
			}
		}
	}
}

// TestBoundsHold tries to exceed what L1 and Bound promise. Products of denormal samples are
// rounded to whole smallest numbers: each of up to 64 by half of one, in the reading and in the
// bound.
func TestBoundsHold(t *testing.T) {
	const rounding = 64 * math.SmallestNonzeroFloat64
	banks := []*Polyphase{Annex2(), WindowedSinc(16, 32, 6.5), WindowedSinc(5, 16, 8)}
	rapid.Check(t, func(t *rapid.T) {
		b := rapid.SampledFrom(banks).Draw(t, "bank")
		flat, curvature := b.Bound()
		window := make([]float64, 2*b.Half())
		switch kind := rapid.SampledFrom([]string{"any", "signs", "worst", "smooth", "curved"}).Draw(t, "kind"); kind {
		case "any":
			for j := range window {
				window[j] = rapid.Float64Range(-1, 1).Draw(t, "x")
			}
		case "signs", "worst": // "worst" attains L1
			row := b.Row(rapid.IntRange(0, b.Rows()-1).Draw(t, "row"))
			for j := range window {
				window[j] = math.Copysign(1, row[j])
				if kind == "signs" && rapid.Bool().Draw(t, "flip") {
					window[j] = -window[j]
				}
			}
		case "smooth":
			f, phase := rapid.Float64Range(0, 0.2).Draw(t, "f"), rapid.Float64Range(0, 6.3).Draw(t, "phase")
			for j := range window {
				window[j] = math.Sin(2*math.Pi*f*float64(j) + phase)
			}
		case "curved": // attains Bound: every curvature pushes the row the same way
			row, size := rapid.IntRange(0, b.Rows()-1).Draw(t, "row"), rapid.SampledFrom([]float64{.01, 1}).Draw(t, "size")
			for j := range window {
				window[j] = 1
			}
			for i := 2 - b.Half(); i < b.Half(); i++ {
				hinge := make([]float64, len(window)) // second difference 1 at sample n+i only
				for j := range hinge {
					if k := j - b.Half() + 1; i >= 1 {
						hinge[j] = max(0, float64(k-i))
					} else {
						hinge[j] = max(0, float64(i-k))
					}
				}
				curvature := math.Copysign(size, b.Read(row, hinge))
				for j := range window {
					window[j] += curvature * hinge[j]
				}
			}
		}
		var largest, second float64
		for j, x := range window {
			largest = max(largest, math.Abs(x))
			if j > 0 && j < len(window)-1 {
				second = max(second, math.Abs(window[j+1]-2*x+window[j-1]))
			}
		}
		peak := b.Peak(window)
		if peak > b.L1()*largest+rounding {
			t.Fatalf("reads %v, L1 allows %v", peak, b.L1()*largest)
		}
		central := max(math.Abs(window[b.Half()-1]), math.Abs(window[b.Half()]))
		if limit := flat*central + curvature*second; peak > limit+rounding {
			t.Fatalf("reads %v, Bound allows %v", peak, limit)
		}
		if limit := b.AtMost(window, second); peak > limit+rounding {
			t.Fatalf("reads %v, AtMost allows %v", peak, limit)
		}
	})
	for _, b := range banks {
		flat, curvature := b.Bound()
		t.Logf("%d rows of half %d: L1 %.4f, flat %.5f, curvature %.4f", b.Rows(), b.Half(), b.L1(), flat, curvature)
	}
}

// TestBesselI0 against scipy.special.i0 (SciPy 1.10; its own method is a
// Chebyshev series).
func TestBesselI0(t *testing.T) {
	for x, want := range map[float64]float64{0: 1, 1: 1.2660658777520084, 6.5: 106.29285824399558, 10: 2815.716628466254} {
		// A sum of positive terms: a few ulp.
		if got := besselI0(x); math.Abs(got/want-1) > 1e-14 {
			t.Errorf("I0(%g) = %.15g, want %.15g", x, got, want)
		}
	}
}

func TestNewPolyphaseRefuses(t *testing.T) {
	for name, c := range map[string]struct {
		positions []float64
		rows      [][]float64
	}{
		"nothing":       {nil, nil},
		"odd taps":      {[]float64{.5}, [][]float64{{1, 1, 1}}},
		"no position":   {nil, [][]float64{{.5, .5}}},
		"position 1.1":  {[]float64{1.1}, [][]float64{{.5, .5}}},
		"not mirrored":  {[]float64{.5}, [][]float64{{.5, .4}}},
		"ragged rows":   {[]float64{.3, .7}, [][]float64{{.7, .3}, {.3, .7, 0, 0}}},
		"NaN tap":       {[]float64{.5}, [][]float64{{math.NaN(), math.NaN()}}},
		"NaN position":  {[]float64{math.NaN()}, [][]float64{{.5, .5}}},
		"empty row":     {[]float64{.5}, [][]float64{{}}},
		"ragged mirror": {[]float64{.3, .7}, [][]float64{{0, .7, .3, 0}, {.3, .7}}},
	} {
		if _, err := NewPolyphase(c.positions, c.rows); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}

func BenchmarkPolyphasePeak(b *testing.B) {
	for name, bank := range map[string]*Polyphase{"annex2": Annex2(), "16x32": WindowedSinc(16, 32, 6.5), "64x256": WindowedSinc(64, 256, 10)} {
		b.Run("bank="+name, func(b *testing.B) {
			window := make([]float64, 2*bank.Half())
			for j := range window {
				window[j] = math.Sin(float64(j))
			}
			var sum float64
			for b.Loop() {
				sum += bank.Peak(window)
			}
			_ = sum
		})
	}
}

// At between the rows of a bank against the sinc that the rows sample, computed
// at that position with package math.
func TestPolyphaseAtAnyPosition(t *testing.T) {
	const phases, half = 128, 32
	row := func(position float64) []float64 {
		taps := make([]float64, 2*half)
		for j := range taps {
			x := position - float64(j-half+1)
			taps[j] = math.Cos(math.Pi * x / (2 * half)) // a window that ends at ±half
			if x != 0 {
				taps[j] *= math.Sin(math.Pi*x) / (math.Pi * x)
			}
		}
		return taps
	}
	positions, rows := make([]float64, phases+1), make([][]float64, phases+1)
	for p := 0; p <= phases/2; p++ {
		positions[p], positions[phases-p] = float64(p)/phases, 1-float64(p)/phases
		rows[p] = row(positions[p])
		mirror := make([]float64, 2*half)
		for j, h := range rows[p] {
			mirror[2*half-1-j] = h
		}
		rows[phases-p] = mirror
	}
	bank, err := NewPolyphase(positions, rows)
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(3, 4))
	window := make([]float64, 2*half)
	for range 2000 {
		for j := range window {
			window[j] = 2*rng.Float64() - 1
		}
		position := rng.Float64()
		if rng.IntN(10) == 0 {
			position = float64(rng.IntN(phases+1)) / phases
		}
		want := 0.0
		for j, h := range row(position) {
			want += h * window[j]
		}
		// The cubic misses a wave of frequency ω by up to (ω/128)⁴/24; noise of ±1 has
		// waves up to ω = π that sum to about 3.
		if got := bank.At(position, window); math.Abs(got-want) > 5e-8 {
			t.Fatalf("position %g: %.12f, want %.12f", position, got, want)
		}
	}
}
