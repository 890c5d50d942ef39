package dsp_test

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
)

// The reference meter for the limiter. It shares nothing with the limiter: the
// Annex 2 table is typed in again, and the fine reading is a separate windowed
// sinc, four times as fine and eight times as long as the limiter's.

// oracleAnnex2 is Rec. ITU-R BS.1770-5 Annex 2, phases 0 and 1, as printed;
// phases 3 and 2 are these reversed.
var oracleAnnex2 = [2][12]float64{
	{0.0017089843750, 0.0109863281250, -0.0196533203125, 0.0332031250000, -0.0594482421875, 0.1373291015625,
		0.9721679687500, -0.1022949218750, 0.0476074218750, -0.0266113281250, 0.0148925781250, -0.0083007812500},
	{-0.0291748046875, 0.0292968750000, -0.0517578125000, 0.0891113281250, -0.1665039062500, 0.4650878906250,
		0.7797851562500, -0.2003173828125, 0.1015625000000, -0.0582275390625, 0.0330810546875, -0.0189208984375},
}

// reading is a meter's result for a whole signal, extended by silence at both
// ends.
type reading struct {
	peak float64 // linear
	at   int     // frame before it
	over int     // readings above the ceiling
}

func (r *reading) see(y float64, at int, ceiling float64) {
	if y = math.Abs(y); y > r.peak {
		r.peak, r.at = y, at
	}
	if y > ceiling {
		r.over++
	}
}

func readSamples(x []float64, ceiling float64) (r reading) {
	for n, v := range x {
		r.see(v, n, ceiling)
	}
	return r
}

func readAnnex2(x []float64, ceiling float64) (r reading) {
	padded := make([]float64, len(x)+24)
	copy(padded[12:], x)
	for n := 0; n+12 <= len(padded); n++ {
		w := padded[n : n+12]
		for _, phase := range oracleAnnex2 {
			var forward, backward float64
			for k, h := range phase {
				forward += h * w[k]
				backward += h * w[11-k]
			}
			r.see(forward, n-7, ceiling)
			r.see(backward, n-7, ceiling)
		}
	}
	return r
}

// fineReader reads 64 times per frame by a sinc of 256 taps under a Kaiser
// window of beta 10: flat within 1e-5 up to 0.487 of the rate (Kaiser 1974),
// and at most 0.0026 dB, 1/cos(π/128), short of any band-limited peak (Ehlich &
// Zeller 1964).
type fineReader struct {
	even, odd         [33][128]float64 // phases 0 to 32; 64−p is p reversed
	evenMost, oddMost [128]float64     // the largest of all phases, without sign
	l1                float64
}

var fine = func() *fineReader {
	f := new(fineReader)
	bessel := func(x float64) float64 {
		sum, term := 1.0, 1.0
		for k := 1.0; k < 60; k++ {
			term *= x / 2 / k
			sum += term * term
		}
		return sum
	}
	tap := func(t float64) float64 {
		if t == 0 {
			return 1
		}
		if math.Abs(t) >= 128 {
			return 0
		}
		return math.Sin(math.Pi*t) / (math.Pi * t) * bessel(10*math.Sqrt(1-t*t/(128*128))) / bessel(10)
	}
	for p := range f.even {
		var l1 float64
		for j := range 128 {
			position := float64(p) / 64
			early, late := tap(float64(-j)-position), tap(float64(j+1)-position)
			f.even[p][j], f.odd[p][j] = (early+late)/2, (early-late)/2
			f.evenMost[j] = max(f.evenMost[j], math.Abs(f.even[p][j]))
			f.oddMost[j] = max(f.oddMost[j], math.Abs(f.odd[p][j]))
			l1 += math.Abs(early) + math.Abs(late)
		}
		f.l1 = max(f.l1, l1)
	}
	return f
}()

// read leaves out intervals that cannot exceed the floor: its peak is exact if
// above the floor.
func (f *fineReader) read(x []float64, floor, ceiling float64) (r reading) {
	padded := make([]float64, len(x)+512)
	copy(padded[256:], x)
	var sum, difference [128]float64
	blocks := make([]float64, len(padded)/128+2)
	for n, v := range padded {
		blocks[n/128] = max(blocks[n/128], math.Abs(v))
	}
	r.peak = floor
	for n := 128; n < len(padded)-129; n++ {
		if max(blocks[n/128-1], blocks[n/128], blocks[n/128+1])*f.l1 <= floor {
			continue
		}
		most := 0.0 // that any phase can read here
		for j := range 128 {
			early, late := padded[n-j], padded[n+1+j]
			sum[j], difference[j] = early+late, early-late
			most += math.Abs(sum[j])*f.evenMost[j] + math.Abs(difference[j])*f.oddMost[j]
		}
		if most <= floor {
			continue
		}
		for p := range f.even {
			var e, o float64
			for j, h := range &f.even[p] {
				e += h * sum[j]
				o += f.odd[p][j] * difference[j]
			}
			r.see(math.Abs(e)+math.Abs(o), n-256, ceiling)
		}
	}
	return r
}

func decibels(ratio float64) float64 { return 20 * math.Log10(ratio) }

// limited runs a block through a fresh limiter and takes the latency off: the
// result has the input's length.
func limited(in dsp.Block, s dsp.LimiterSettings, rate int) (out, gain dsp.Block) {
	l, err := dsp.NewLimiter(s, rate, len(in))
	if err != nil {
		panic(err)
	}
	latency := l.Latency()
	frames := in.Frames()
	out, gain = dsp.NewBlock(len(in), frames+latency), dsp.NewBlock(len(in), frames+latency)
	for c := range in {
		copy(out[c], in[c])
	}
	l.ProcessTraced(out, gain)
	for c := range in {
		out[c], gain[c] = out[c][latency:], gain[c][latency:]
	}
	return out, gain
}
