package vector

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

func needAVX2(t testing.TB) {
	if !hasAVX2 {
		t.Skip("no AVX2: everything runs in Go")
	}
}

// coarseBank returns a random bank. The magnitudes of each row add up to less than 8.
func coarseBank(rng *rand.Rand, half, groups int) *Mirrored {
	taps := make([][4]float64, half*groups)
	for j := range taps {
		for k := range taps[j] {
			taps[j][k] = min(1, 4/float64(half)) * (2*rng.Float64() - 1) * 0.99
		}
	}
	return NewMirrored(half, taps)
}

func coarseSamples(rng *rand.Rand, n int) []float64 {
	x := make([]float64, n)
	for i := range x {
		switch x[i] = 2*rng.Float64() - 1; rng.IntN(6) {
		case 0:
			x[i] = math.Copysign(1, x[i])
		case 1: // halves are rounded to even
			x[i] = math.Round(x[i]*200) / 2 / CoarsePeak
		}
	}
	return x
}

// The assembly gives the same whole numbers of samples and the same readings as the Go code.
// The readings are those of the unrounded rows and samples, except for the rounding of both.
func TestCoarseBits(t *testing.T) {
	rng := rand.New(rand.NewPCG(61, 62))
	for range 500 {
		half, groups := 2*(1+rng.IntN(30)), 1+rng.IntN(3)
		m := coarseBank(rng, half, groups)
		c := m.Rounded()
		offset := rng.IntN(9)
		x := coarseSamples(rng, offset+2*half+CoarseWindows-1+rng.IntN(9))
		scale := float64(CoarsePeak) * (0.5 + rng.Float64()/2)
		s, want := NewCoarseSound(len(x)), NewCoarseSound(len(x))
		from := rng.IntN(offset + 1)
		s.Set(from, x[from:], scale)
		coarsen(x[from:], scale, want.pairs[from:len(x)-1], want.swapped[from:len(x)-1])
		for i := range s.pairs {
			if s.pairs[i] != want.pairs[i] || s.swapped[i] != want.swapped[i] {
				t.Fatalf("sample %d: %x and %x in assembly, %x and %x in Go", i, s.pairs[i], s.swapped[i], want.pairs[i], want.swapped[i])
			}
		}
		var got, inGo CoarseReadings
		c.Readings(&s, offset, &got)
		c.readings(s.pairs[offset+half:], s.swapped[offset:], half-2, 2, inGo[:])
		if got != inGo {
			t.Fatalf("half %d, %d groups: %v in assembly, %v in Go", half, groups, got, inGo)
		}
		many, one := make([]int32, CoarseWindows*(1+rng.IntN(4))), CoarseReadings{}
		long := coarseSamples(rng, offset+2*half+len(many))
		s = NewCoarseSound(len(long))
		s.Set(0, long, scale)
		c.ReadingsOf(&s, offset, many)
		for i := 0; i < len(many); i += CoarseWindows {
			if c.Readings(&s, offset+i, &one); one != CoarseReadings(many[i:]) {
				t.Fatalf("half %d, windows %d to %d of %d: %v at once, %v alone", half, i, i+CoarseWindows-1, len(many), many[i:i+CoarseWindows], one)
			}
		}
		if got.Largest() != slices.Max(got[:]) {
			t.Fatalf("the largest of %v: %v", got, got.Largest())
		}
		part := got[rng.IntN(CoarseWindows):]
		if part = part[:1+rng.IntN(len(part))]; LargestOf(part) != slices.Max(part) {
			t.Fatalf("the largest of %v: %v", part, LargestOf(part))
		}
		for _, level := range []int32{-1, got[3], got[12] - 1, got.Largest()} {
			if got.Above(level) != got.above(level) {
				t.Fatalf("%v above %v: %b in assembly, %b in Go", got, level, got.Above(level), got.above(level))
			}
		}
		// Half a unit of each tap times the largest sample, half a unit of each sample times
		// the taps, and the product of both errors.
		for i, reading := range got {
			want := m.Reading(x[offset+i:][:2*half])
			l1 := 0.0
			for _, tap := range m.Taps {
				l1 = max(l1, 1, math.Abs(tap[0])+math.Abs(tap[1]), math.Abs(tap[2])+math.Abs(tap[3]))
			}
			tolerance := 2*float64(half)/CoarseUnit + float64(2*half)*l1*0.5/scale*1.01
			if d := math.Abs(float64(reading)/(CoarseUnit*scale) - want); d > tolerance {
				t.Fatalf("half %d, window %d: reads %g, and %g from float64, more than %g apart", half, i, float64(reading)/(CoarseUnit*scale), want, tolerance)
			}
		}
	}
}

// The largest possible readings are below 2^31.
func TestCoarseFull(t *testing.T) {
	rng := rand.New(rand.NewPCG(63, 64))
	taps := make([][4]float64, 16)
	for j := range taps {
		for k := range taps[j] {
			taps[j][k] = 0.499 * float64(1-2*rng.IntN(2)) // a row's 32 taps are 0 or ±0.998
		}
	}
	m := NewMirrored(16, taps)
	x := make([]float64, 32+CoarseWindows-1)
	for j, tap := range taps {
		x[15-j], x[16+j] = math.Copysign(1, tap[0]+tap[1]), math.Copysign(1, tap[0]-tap[1])
	}
	s := NewCoarseSound(len(x))
	s.Set(0, x, CoarsePeak)
	var out CoarseReadings
	m.Rounded().Readings(&s, 0, &out)
	want := m.Reading(x[:32]) * CoarseUnit * CoarsePeak
	if got := float64(out[0]); want < 0.99*(1<<31) || math.Abs(got/want-1) > 1e-4 {
		t.Errorf("reads %g, want %g", got, want)
	}
}

// The assembly doubles a sound as the Go code does, and reads it the same. Middles are those of
// the unrounded row, except for half a unit of each tap times the largest sample, half a unit of
// each sample times the taps, and half a unit. The readings of halves are those of the windows
// of the doubled sound.
func TestCoarseDoubledBits(t *testing.T) {
	rng := rand.New(rand.NewPCG(67, 68))
	for range 300 {
		half := 4 * (1 + rng.IntN(25))
		taps, l1 := make([]float64, half), 0.0
		for j := range taps {
			taps[j] = (2*rng.Float64() - 1) * 3.9 / float64(2*half)
			l1 += 2 * math.Abs(taps[j])
		}
		m := NewCoarseMiddle(taps)
		from := half + rng.IntN(5)
		x := coarseSamples(rng, from+3*CoarseWindows+half+2)
		s := NewCoarseSound(len(x))
		s.Set(0, x, CoarsePeak)
		got, want := NewCoarseDoubled(len(x)), NewCoarseDoubled(len(x))
		for at := from; at < from+2*CoarseWindows; at += CoarseWindows {
			m.Double(&s, at, &got)
			m.double(&s, at, &want)
		}
		doubled := make([]float64, 2*len(x)) // in units
		for i := range got.readings {
			if got.readings[i] != want.readings[i] || got.samples.pairs[i] != want.samples.pairs[i] || got.samples.swapped[i] != want.samples.swapped[i] ||
				got.middles.pairs[i] != want.middles.pairs[i] || got.middles.swapped[i] != want.middles.swapped[i] {
				t.Fatalf("half %d: interval %d differs in assembly and in Go", half, i)
			}
			if i < from || i >= from+2*CoarseWindows {
				continue
			}
			middle := 0.0
			for j, tap := range taps {
				middle += tap * (x[i-j] + x[i+1+j])
			}
			doubled[2*i], doubled[2*i+1] = float64(int16(got.samples.pairs[i])), float64(int16(got.middles.pairs[i]))
			tolerance := 1.01 * (float64(half)*CoarsePeak/CoarseUnit + l1/2 + 0.5)
			if d := math.Abs(doubled[2*i+1] - middle*CoarsePeak); d > tolerance {
				t.Fatalf("half %d: middle %g, want %g", half, doubled[2*i+1], middle*CoarsePeak)
			}
			if int16(got.samples.pairs[i]>>16) != int16(got.middles.pairs[i]) || int16(got.middles.pairs[i]>>16) != int16(s.pairs[i]>>16) {
				t.Fatalf("half %d: the pairs of interval %d do not follow on each other", half, i)
			}
		}
		rows := coarseBank(rng, 4, 1+rng.IntN(3))
		for i := range rows.Taps {
			for k := range rows.Taps[i] {
				rows.Taps[i][k] /= 2
			}
		}
		c := rows.Rounded()
		var out DoubledReadings
		at := from + 2 + rng.IntN(CoarseWindows-4)
		c.Halves(&got, at, &out)
		for i := range CoarseWindows {
			for h := range 2 {
				first := 2*(at+i) + h - 3
				want := rows.Reading(doubled[first : first+8])
				if d := math.Abs(float64(out[h][i])/CoarseUnit - want); d > 8*(1<<14)/float64(CoarseUnit) {
					t.Fatalf("half %d of interval %d reads %g, want %g", h, i, float64(out[h][i])/CoarseUnit, want)
				}
			}
			if out[2][i] != got.readings[at+i] {
				t.Fatalf("the middle of interval %d reads %v, want %v", i, out[2][i], got.readings[at+i])
			}
		}
		all := slices.Concat(out[0][:], out[1][:], out[2][:])
		if out.Largest() != slices.Max(all) || out.Above(out[1][5]-1)>>5&1 == 0 || out.Above(out.Largest()) != 0 {
			t.Fatalf("of %v: largest %v", out, out.Largest())
		}
		if hasCoarse {
			hidden := out
			c.readings(got.middles.pairs[at:], got.middles.swapped[at-2:], 1, 1, hidden[0][:])
			c.readings(got.samples.pairs[at+1:], got.samples.swapped[at-1:], 1, 1, hidden[1][:])
			if hidden != out {
				t.Fatalf("readings %v in assembly, %v in Go", out, hidden)
			}
		}
	}
}

func BenchmarkCoarse(b *testing.B) {
	rng := rand.New(rand.NewPCG(65, 66))
	c := coarseBank(rng, 40, 1).Rounded()
	x := coarseSamples(rng, 95+256)
	s := NewCoarseSound(len(x))
	var out CoarseReadings
	b.Run("readings/assembly", func(b *testing.B) {
		if !hasCoarse {
			b.Skip("no assembly: everything runs in Go")
		}
		for b.Loop() {
			c.Readings(&s, 0, &out)
		}
	})
	b.Run("readings/Go", func(b *testing.B) {
		for b.Loop() {
			c.readings(s.pairs[40:], s.swapped, 38, 2, out[:])
		}
	})
	b.Run("samples/assembly", func(b *testing.B) {
		needAVX2(b)
		for b.Loop() {
			s.Set(0, x, CoarsePeak)
		}
	})
	b.Run("samples/Go", func(b *testing.B) {
		for b.Loop() {
			coarsen(x, CoarsePeak, s.pairs[:len(x)-1], s.swapped)
		}
	})
}
