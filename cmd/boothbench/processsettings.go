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
	f.BoolVar(&s.keepDelay, "keep-delay", false, "leave the chain's latency in the output, which grows by it")
	f.BoolVar(&s.repair, "repair-nonfinite", false, "replace NaN and infinite samples by zero instead of refusing the take")
	f.BoolVar(&s.skipDone, "skip-done", false, "leave a receipt of each output in .receipts beside it, and pass over takes whose receipt says that the output is there and is what would be written")
	f.StringVar(&s.raw, "raw", "", "takes are bare samples of this `format`, such as 48000,2,s24le (rate, channels, and u8, s16le, s24le, s32le, f32le or f64le); so is --out -")
	f.BoolVar(&s.rawOut, "raw-out", false, "write bare samples to --out -, also of takes with a header")
	f.BoolVar(&s.live, "live", false, "with --out -: write every block at once, and state ahead how late it comes")
	f.IntVar(&s.blockFrames, "block-frames", 256, "frames in a block of --live")
	f.StringVar(&s.trace, "trace", "", "also write each dynamics stage's gain, a row a ms, to this CSV `file`")
	f.BoolVar(&s.unmetered, "unmetered", false, "do not measure loudness and true peak of take and output: faster")
	f.IntVar(&s.jobs, "jobs", runtime.NumCPU(), "goroutines at work; the output does not depend on it")
	f.BoolVar(&s.plan, "plan", false, "say what would be done, with each stage's latency, and write nothing")
	f.BoolVar(&s.json, "json", false, "print one JSON object a take")
	f.BoolVar(&s.quiet, "quiet", false, "no progress and no summary; warnings and errors only")
}

// check refuses calls that cannot be meant.
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

// checkStreams refuses what pipes cannot be used for.
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
		return usageError("--skip-done: found -; accepted: files, which can have been done")
	case (s.live || s.rawOut) && s.out != standardInput && !(s.rawOut && s.raw != "" && !s.live):
		return usageError("--live and --raw-out: found no --out -, which they are about")
	case s.trace == standardInput:
		return usageError("--trace: found -; accepted: a file")
	case s.blockFrames < 1 || s.blockFrames > 1<<20:
		return usageError("--block-frames: found %d; accepted: 1 to %d", s.blockFrames, 1<<20)
	}
	var err error
	s.rawFormat, err = parseRaw(s.raw)
	return err
}

// inWords are the options that change an output's bytes.
func (s *processSettings) inWords() string {
	return fmt.Sprintf("bits=%d float=%v dither=%s seed=%d keep-delay=%v repair-nonfinite=%v raw=%q", s.bits, s.float, s.dither, s.ditherSeed, s.keepDelay, s.repair, s.raw)
}

// meters reports whether loudness and true peak of take and output are measured: where
// they are shown.
func (s *processSettings) meters() bool {
	return !s.unmetered && !s.live && (!s.quiet || s.json)
}
