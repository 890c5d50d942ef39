package dsp_test

import (
	"math"
	"math/rand/v2"

	"github.com/boothbench/boothbench/dsp"
)

// adversary is a limiter and a sound that tries to get past it, both made from
// bytes: the first eight choose the settings, every four after them a piece of
// sound. So a property test, a fuzzer and a file of either can give one.
type adversary struct {
	settings dsp.LimiterSettings
	rate     int
	grid     float64 // step of the output format; 0: none
	block    int     // frames of a block
	in       dsp.Block
}

const (
	adversaryHead = 8
	adversaryMost = 1200 // frames over all channels: the judge takes its time
)

func newAdversary(data []byte) adversary {
	head := make([]byte, adversaryHead)
	data = data[copy(head, data):]
	a := adversary{
		rate:  []int{32000, 44100, 48000, 88200, 96000, 192000}[head[0]%6],
		grid:  []float64{0, 0x1p-15, 0x1p-23}[head[1]%3],
		block: 1 + int(head[2]),
		settings: dsp.LimiterSettings{
			CeilingDBTP:  []float64{0, -1, -9, -60}[head[3]%4],
			DriveDB:      float64(int(head[4])%121 - 60),
			LookaheadMs:  []float64{.5, 1, 3, 10}[head[5]%4],
			Recovery:     dsp.Recovery(head[6] % 3),
			LinkChannels: head[6] < 128,
		},
	}
	a.in = make(dsp.Block, 1+head[7]%8)
	// Levels are over the ceiling, after the drive.
	full := math.Pow(10, (a.settings.CeilingDBTP-a.settings.DriveDB)/20)
	total := 0
	for at := 0; at+4 <= len(data) && total < adversaryMost; at += 4 {
		op := data[at : at+4]
		level := full * math.Pow(10, float64(int8(op[1]))/4/20) // up to ±32 dB
		frames := min(1+int(op[2])*2, adversaryMost-total)
		c := int(op[0]>>4) % len(a.in)
		a.in[c] = append(a.in[c], piece(op[0]&15, op[3], level, frames, a)...)
		total += frames
	}
	longest := 0
	for _, x := range a.in {
		longest = max(longest, len(x))
	}
	for c, x := range a.in { // the shorter channels begin later: both ends are sharp
		a.in[c] = append(make([]float64, longest-len(x)), x...)
	}
	return a
}

// piece is frames of a kind of sound at a level; parameter is the kind's own.
func piece(kind, parameter byte, level float64, frames int, a adversary) []float64 {
	x := make([]float64, frames)
	rng := rand.New(rand.NewPCG(uint64(parameter), uint64(kind)))
	p := float64(parameter) / 256
	look := max(2, int(a.settings.LookaheadMs*float64(a.rate)/1000))
	for n := range x {
		switch kind {
		case 0: // silence
		case 1: // direct current
			x[n] = level
		case 2: // signs
			x[n] = level * float64(1-2*rng.IntN(2))
		case 3: // signs that attain the L1 norm of Annex 2
			x[n] = math.Copysign(level, oracleAnnex2[parameter%2][n%12])
		case 4, 5: // those of a sinc of 256 or 32 taps, read at p
			taps := 256 >> (3 * (kind - 4))
			x[n] = math.Copysign(level, math.Sin(math.Pi*(float64(n%taps-taps/2)-p))/(float64(n%taps-taps/2)-p-1e-9))
		case 6: // a tone up to the Nyquist frequency
			x[n] = level * math.Sin(math.Pi*p*float64(n)+p)
		case 7: // noise
			x[n] = level * rng.NormFloat64()
		case 8: // impulses
			if n%(1+int(parameter)) == 0 {
				x[n] = level
			}
		case 9: // alternation, in runs
			if n/(1+int(parameter)%64)%2 == 0 {
				x[n] = level * float64(1-2*(n&1))
			}
		case 10: // alternation whose level falls and rises with the look-ahead's period
			x[n] = level * float64(1-2*(n&1)) * math.Pow(10, -p*2*math.Abs(math.Sin(math.Pi*float64(n)/float64(look))))
		case 11: // steps of level, a look-ahead apart
			x[n] = level * float64(1-2*rng.IntN(2)) * math.Pow(10, -p*float64(n/look%4))
		case 12: // a beat just below the Nyquist frequency
			x[n] = level * math.Sin(math.Pi*(1-p/50)*float64(n)+1)
		case 13: // a tone with a peak between its samples, cut off at both ends
			x[n] = level * math.Sin(2*math.Pi/(2+6*p)*(float64(n)+.5))
		case 14: // what the fine reading's sinc rises from: one sign a side
			x[n] = math.Copysign(level, math.Sin(math.Pi*(float64(n)-float64(frames)/2-.5)))
			if n < frames/2 {
				x[n] = -x[n]
			}
		default: // a click in a tone
			x[n] = level / 2 * math.Sin(math.Pi*p*p*float64(n))
			if n == frames/2 {
				x[n] = -level
			}
		}
	}
	return x
}

// run puts the sound through the verified limiter, on the grid with a dither
// of two steps' width, block by block, and takes the latency off.
func (a adversary) run(verified bool) (dsp.Block, error) {
	v, err := dsp.NewVerifiedLimiter(a.settings, a.rate, len(a.in))
	if err != nil {
		return nil, err
	}
	limiter, ceiling := v.Parts()
	latency, frames := limiter.Latency(), a.in.Frames()
	if verified {
		latency = v.Latency()
		ceiling.OnGrid(a.grid)
	}
	out := dsp.NewBlock(len(a.in), frames+latency)
	for c := range a.in {
		copy(out[c], a.in[c])
	}
	rng := rand.New(rand.NewPCG(1, 1))
	first, last := limiter.Latency(), limiter.Latency()+frames
	for from := 0; from < out.Frames(); from += a.block {
		to := min(out.Frames(), from+a.block)
		part := make(dsp.Block, len(out))
		for c := range out {
			part[c] = out[c][from:to]
		}
		limiter.Process(part)
		if !verified {
			continue
		}
		for n := range part.Frames() {
			for c := range part {
				if at := from + n; a.grid > 0 && at >= first && at < last {
					part[c][n] = math.RoundToEven(part[c][n]/a.grid+rng.Float64()-rng.Float64()) * a.grid
				}
			}
		}
		ceiling.Process(part)
	}
	for c := range out {
		out[c] = out[c][latency:]
	}
	return out, nil
}

// check fails where any reading of the verified limiter's output exceeds the
// ceiling, or a sample has left the grid; or any sample or Annex 2 reading of the
// causal limiter's.
func (a adversary) check(t interface{ Fatalf(string, ...any) }) {
	c := math.Pow(10, a.settings.CeilingDBTP/20)
	for _, verified := range []bool{true, false} {
		out, err := a.run(verified)
		if err != nil {
			t.Fatalf("%v", err)
		}
		for ch, x := range out {
			readings := map[string]reading{"sample": readSamples(x, c), "Annex 2": readAnnex2(x, c)}
			if verified {
				readings["fine"] = fine.read(x, .9*c, c)
			}
			for name, r := range readings {
				if r.over > 0 || math.IsNaN(r.peak) {
					t.Fatalf("%+v, %d Hz, grid %g, %d channels, verified %v: channel %d, %s reading %+.7f dB over at frame %d",
						a.settings, a.rate, a.grid, len(out), verified, ch, name, decibels(r.peak/c), r.at)
				}
			}
			for n, v := range x {
				if verified && a.grid > 0 && v/a.grid != math.Trunc(v/a.grid) {
					t.Fatalf("%+v: channel %d, frame %d: %g is off the grid of %g", a.settings, ch, n, v, a.grid)
				}
			}
		}
	}
}
