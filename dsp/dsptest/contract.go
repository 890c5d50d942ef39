// Package dsptest tests the promises of every processor of package dsp.
package dsptest

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
)

// Frames is the length of the programme that Contract runs.
const Frames = 20_000

// Programme returns a test programme: 0.2 s bursts of tone and noise at levels
// from −60 to +6 dBFS with silences between, different in each channel.
func Programme(rate, channels, frames int, seed uint64) dsp.Block {
	rng := rand.New(rand.NewPCG(seed, 0x5eed))
	b := dsp.NewBlock(channels, frames)
	burst := max(1, rate/5)
	for c, plane := range b {
		for from := 0; from < frames; from += burst {
			level := dsp.DBToAmplitude(float64(rng.IntN(67)) - 60)
			step := 2 * math.Pi * math.Exp(rng.Float64()*5.5) * 40 / float64(rate)
			kind := rng.IntN(4)
			for n := from; n < min(frames, from+burst); n++ {
				switch kind {
				case 0: // silence
				case 1:
					plane[n] = level * (2*rng.Float64() - 1)
				default:
					plane[n] = level * math.Sin(step*float64(n)+float64(c))
				}
			}
		}
	}
	return b
}

// Contract checks a processor against the promises in the documentation of package dsp: the
// output has the same bits with any block size, the caller's block is not kept, Reset restores
// the initial state, Process allocates nothing, a NaN or infinite sample has no lasting
// effect, a block of another shape panics in words, and a GainTracer has the same output with
// and without tracing.
func Contract(t *testing.T, rate, channels int, fresh func() dsp.Processor) {
	t.Helper()
	programme := Programme(rate, channels, Frames, 1)
	want := run(fresh(), programme, func() int { return Frames })

	rng := rand.New(rand.NewPCG(2, 3))
	for name, size := range map[string]func() int{
		"1": func() int { return 1 }, "7": func() int { return 7 }, "64": func() int { return 64 },
		"1024":   func() int { return 1024 },
		"random": func() int { return 1 + rng.IntN(700) },
	} {
		Same(t, "blocks of "+name, run(fresh(), programme, size), want)
	}

	p := fresh()
	latency := p.Latency()
	if latency < 0 {
		t.Errorf("latency %d frames", latency)
	}
	run(p, Programme(rate, channels, 5000, 9), func() int { return 333 })
	p.Reset()
	if p.Latency() != latency {
		t.Errorf("latency %d frames after Reset, was %d", p.Latency(), latency)
	}
	Same(t, "after Reset", run(p, programme, func() int { return 512 }), want)

	p = fresh()
	block := Programme(rate, channels, 480, 4)
	if n := testing.AllocsPerRun(20, func() { p.Process(block) }); n != 0 {
		t.Errorf("Process allocates %g times a call", n)
	}

	checkShapes(t, fresh(), channels)

	for _, bad := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), math.MaxFloat64} {
		p = fresh()
		poisoned := Programme(rate, channels, Frames, 1)
		poisoned[0][1000] = bad
		out := run(p, poisoned, func() int { return 512 })
		// A second is longer than any window or look-ahead of a stage.
		silence := run(p, dsp.NewBlock(channels, rate), func() int { return 512 })
		if count, first := dsp.Scrub(out); count > 0 && first < 1000 {
			t.Errorf("%g at frame 1000 shows at frame %d already", bad, first)
		}
		tail := make(dsp.Block, channels)
		for c := range tail {
			tail[c] = silence[c][rate-1000:]
		}
		if count, _ := dsp.Scrub(tail); count != 0 {
			t.Errorf("%g at frame 1000 still shows a second after the programme's end", bad)
		}
	}

	if tracer, ok := fresh().(dsp.GainTracer); ok {
		out, gain := dsp.NewBlock(channels, Frames), dsp.NewBlock(channels, Frames)
		for c := range out {
			copy(out[c], programme[c])
		}
		tracer.ProcessTraced(out, gain)
		Same(t, "traced", out, want)
		for c, plane := range gain {
			for n, g := range plane {
				if !(g >= 0 && g <= 1) {
					t.Fatalf("gain %g at channel %d, frame %d; accepted: 0 to 1", g, c, n)
				}
			}
		}
	}
}

// checkShapes requires a panic whose message states what is accepted, instead of an index
// error, for blocks with another number of channels than the processor or with channels of
// different lengths.
func checkShapes(t *testing.T, p dsp.Processor, channels int) {
	t.Helper()
	shapes := map[string]dsp.Block{"no channel": nil, "a channel more": dsp.NewBlock(channels+1, 2000)}
	if channels > 1 {
		shapes["a channel less"] = dsp.NewBlock(channels-1, 2000)
		for name, short := range map[string]int{"a short first channel": 0, "a short last channel": channels - 1} {
			shapes[name] = dsp.NewBlock(channels, 2000)
			shapes[name][short] = make([]float64, 700)
		}
	}
	for name, b := range shapes {
		if said := panicOf(func() { p.Process(b) }); !strings.Contains(said, "accepted: ") {
			t.Errorf("%s: panic %q; want one that states what is accepted", name, said)
		}
	}
	tracer, ok := p.(dsp.GainTracer)
	if !ok {
		return
	}
	for name, gain := range map[string]dsp.Block{"gains of fewer frames": dsp.NewBlock(channels, 700), "gains of a channel more": dsp.NewBlock(channels+1, 2000)} {
		if said := panicOf(func() { tracer.ProcessTraced(dsp.NewBlock(channels, 2000), gain) }); !strings.Contains(said, "accepted: ") {
			t.Errorf("%s: panic %q; want one that states what is accepted", name, said)
		}
	}
}

// panicOf returns the text of a panic, "" if there is none.
func panicOf(do func()) (said string) {
	defer func() {
		if p := recover(); p != nil {
			said = fmt.Sprint(p)
		}
	}()
	do()
	return ""
}

// run processes a copy of in, cut into blocks of the given sizes. Each block
// has its own memory, which is overwritten as soon as it has been read.
func run(p dsp.Processor, in dsp.Block, size func() int) dsp.Block {
	out := dsp.NewBlock(len(in), in.Frames())
	for from := 0; from < in.Frames(); {
		to := min(in.Frames(), from+size())
		block := dsp.NewBlock(len(in), to-from)
		for c := range block {
			copy(block[c], in[c][from:to])
		}
		p.Process(block)
		for c := range block {
			copy(out[c][from:to], block[c])
			for n := range block[c] {
				block[c][n] = math.NaN()
			}
		}
		from = to
	}
	return out
}

// Same fails the test where two blocks differ in any bit.
func Same(t *testing.T, name string, got, want dsp.Block) {
	t.Helper()
	if err := differ(got, want); err != nil {
		t.Errorf("%s: %v", name, err)
	}
}

func differ(got, want dsp.Block) error {
	if len(got) != len(want) || got.Frames() != want.Frames() {
		return fmt.Errorf("shape %d x %d, want %d x %d", len(got), got.Frames(), len(want), want.Frames())
	}
	for c := range want {
		for n := range want[c] {
			if math.Float64bits(got[c][n]) != math.Float64bits(want[c][n]) {
				return fmt.Errorf("channel %d, frame %d: %.17g, want %.17g", c, n, got[c][n], want[c][n])
			}
		}
	}
	return nil
}
