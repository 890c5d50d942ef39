package main

import (
	"fmt"
	"runtime"
	"slices"

	"github.com/spf13/pflag"

	"github.com/boothbench/boothbench/dsp/wave"
)

// processSettings is what the flags ask for.
type processSettings struct {
	outputFlags
	chain, trace        string
	unmetered           bool
	keepDelay, plan     bool
	repair, json, quiet bool

	skipDone, live, rawOut bool
	raw                    string
	rawFormat              *wave.Format // nil: takes state their own
	jobs, blockFrames      int
}

func (s *processSettings) register(f *pflag.FlagSet) {
	f.StringVar(&s.chain, "chain", "", "the chain `file` (TOML; boothbench init writes one)")
	s.outputFlags.register(f)
	f.BoolVar(&s.keepDelay, "keep-delay", false, "keep the chain's latency in the output, which becomes longer by it")
	f.BoolVar(&s.repair, "repair-nonfinite", false, "replace NaN and infinite samples by zero instead of refusing the take")
	f.BoolVar(&s.skipDone, "skip-done", false, "write a receipt of each output into .receipts beside it, and skip takes whose receipt shows that the output is there and up to date")
	f.StringVar(&s.raw, "raw", "", "takes are samples without a header, in this `format`, such as 48000,2,s24le (rate, channels, and u8, s16le, s24le, s32le, f32le or f64le); so is --out -")
	f.BoolVar(&s.rawOut, "raw-out", false, "write samples without a header to --out -, also where the take has a header")
	f.BoolVar(&s.live, "live", false, "with --out -: write each block as soon as it is processed, and print the delay first")
	f.IntVar(&s.blockFrames, "block-frames", 256, "frames in a block of --live")
	f.StringVar(&s.trace, "trace", "", "also write the gain of each dynamics stage, one row per ms, to this CSV `file`")
	f.BoolVar(&s.unmetered, "unmetered", false, "do not measure loudness and true peak of take and output: faster")
	f.IntVar(&s.jobs, "jobs", runtime.NumCPU(), "number of goroutines; the output does not depend on it")
	f.BoolVar(&s.plan, "plan", false, "print what would be done, with each stage's latency, and write nothing")
	f.BoolVar(&s.json, "json", false, "print one JSON object per take")
	f.BoolVar(&s.quiet, "quiet", false, "no progress and no summary; warnings and errors only")
}

// check refuses contradictory flags.
func (s *processSettings) check(takes []string) error {
	switch {
	case len(takes) == 0:
		return usageError("no take named; for example: boothbench process take.wav --chain voice.toml --out out.wav")
	case s.chain == "":
		return usageError("no chain file named: add --chain FILE (boothbench init writes a starter)")
	case s.jobs < 1:
		return usageError("--jobs: found %d; accepted: 1 or more", s.jobs)
	}
	if err := swapped(s.chain, takes); err != nil {
		return err
	}
	if err := s.checkStreams(takes); err != nil {
		return err
	}
	if s.out == "" && s.outDir == "" {
		if s.plan {
			return nil
		}
		return usageError("no output named: add --out FILE or --out-dir DIR, or --plan to see what would be done")
	}
	return s.outputFlags.check(len(takes))
}

// checkStreams refuses combinations of flags that standard input and output cannot serve.
func (s *processSettings) checkStreams(takes []string) error {
	streamed := slices.Contains(takes, standardInput)
	switch {
	case streamed && len(takes) > 1:
		return usageError("found - among %d takes; accepted: - alone", len(takes))
	case streamed && s.outDir != "":
		return usageError("found - and --out-dir; accepted: --out, with a name or -")
	case streamed && s.chain == standardInput:
		return usageError("found - as the take and as the chain file; accepted: one of them on standard input")
	case s.skipDone && (streamed || s.out == standardInput):
		return usageError("--skip-done: found -; accepted: files")
	case (s.live || s.rawOut) && s.out != standardInput && !(s.rawOut && s.raw != "" && !s.live):
		return usageError("--live and --raw-out: found no --out -; accepted: with it")
	case s.trace == standardInput:
		return usageError("--trace: found -; accepted: a file")
	case s.blockFrames < 1 || s.blockFrames > 1<<20:
		return usageError("--block-frames: found %d; accepted: 1 to %d", s.blockFrames, 1<<20)
	}
	var err error
	s.rawFormat, err = parseRaw(s.raw)
	return err
}

// inWords lists the options that change an output's bytes, for its receipt.
func (s *processSettings) inWords() string {
	return fmt.Sprintf("bits=%d float=%v dither=%s seed=%d keep-delay=%v repair-nonfinite=%v raw=%q", s.bits, s.float, s.dither, s.ditherSeed, s.keepDelay, s.repair, s.raw)
}

// meters reports whether loudness and true peak of take and output are measured.
func (s *processSettings) meters() bool {
	return !s.unmetered && !s.live && (!s.quiet || s.json)
}
