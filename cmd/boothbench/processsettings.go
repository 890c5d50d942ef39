package main

import (
	"runtime"

	"github.com/spf13/pflag"

	"github.com/boothbench/boothbench/dsp/wave"
)

// processSettings is what the flags ask for.
type processSettings struct {
	chain, out, outDir, trace string
	bits                      int
	float                     bool
	dither                    string
	ditherSeed                uint64
	replace, keepDelay, plan  bool
	repair, json, quiet       bool
	jobs                      int
}

func (s *processSettings) register(f *pflag.FlagSet) {
	f.StringVar(&s.chain, "chain", "", "the chain `file` (TOML; boothbench init writes one)")
	f.StringVar(&s.out, "out", "", "the output `file`, for one take")
	f.StringVar(&s.outDir, "out-dir", "", "the `folder` for the outputs, named as the takes")
	f.BoolVar(&s.replace, "replace", false, "write over existing outputs (never over an input)")
	f.IntVar(&s.bits, "bits", 0, "bits a sample: 16, 24 or 32; with --float 32 or 64 (default: the take's)")
	f.BoolVar(&s.float, "float", false, "write floating point (default: as the take)")
	f.StringVar(&s.dither, "dither", "auto", "auto, tpdf or none; auto is tpdf where the output has fewer bits\nthan what was computed")
	f.Uint64Var(&s.ditherSeed, "dither-seed", 1, "seed of the dither noise: same seed, same bits")
	f.BoolVar(&s.keepDelay, "keep-delay", false, "leave the chain's latency in the output, which grows by it")
	f.BoolVar(&s.repair, "repair-nonfinite", false, "replace NaN and infinite samples by zero instead of refusing the take")
	f.StringVar(&s.trace, "trace", "", "also write each dynamics stage's gain, a row a ms, to this CSV `file`")
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
	case s.out != "" && s.outDir != "":
		return usageError("--out and --out-dir exclude each other")
	case s.out == "" && s.outDir == "" && !s.plan:
		return usageError("no output named: add --out FILE or --out-dir DIR, or --plan to see what would be done")
	case s.out != "" && len(takes) > 1:
		return usageError("--out takes one take, found %d; use --out-dir for many", len(takes))
	case s.trace != "" && len(takes) > 1:
		return usageError("--trace takes one take, found %d", len(takes))
	case s.jobs < 1:
		return usageError("--jobs: found %d; accepted: 1 or more", s.jobs)
	}
	switch {
	case s.float && s.bits != 0 && s.bits != 32 && s.bits != 64:
		return usageError("--bits: found %d with --float; accepted: 32 or 64", s.bits)
	case !s.float && s.bits != 0 && s.bits != 16 && s.bits != 24 && s.bits != 32:
		return usageError("--bits: found %d; accepted: 16, 24 or 32 (with --float 32 or 64)", s.bits)
	}
	if err := checkWAVName("out", s.out); err != nil {
		return err
	}
	switch s.dither {
	case "auto", "tpdf", "none":
	default:
		return usageError("--dither: found %q%s; accepted: auto, tpdf, none", s.dither, didYouMean(s.dither, []string{"auto", "tpdf", "none"}))
	}
	return nil
}

// outputFormat is the take's own format unless the flags ask for another.
func (s *processSettings) outputFormat(in wave.Format) wave.Format {
	out := in
	switch {
	case s.float:
		out.Encoding, out.Bits, out.ContainerBits = wave.Float, 32, 0
		if s.bits != 0 {
			out.Bits = s.bits
		}
	case s.bits != 0:
		out.Encoding, out.Bits, out.ContainerBits = wave.Integer, s.bits, 0
	case in.Encoding == wave.Integer && in.Bits <= 8:
		out.Bits, out.ContainerBits = 16, 0 // 8 bits hold no voice
	}
	return out
}

// ditherFor decides on dither: an integer output holds less than what the
// stages computed in 64-bit floating point, or than a take of more bits. An
// output of 32 bits is left alone: its last bit is below any converter's noise.
func (s *processSettings) ditherFor(in, out wave.Format, processed bool) wave.DitherKind {
	switch {
	case out.Encoding == wave.Float || s.dither == "none":
		return wave.NoDither
	case s.dither == "tpdf":
		return wave.TPDF
	}
	shorter := in.Encoding == wave.Float || out.Bits < in.Bits
	if (processed || shorter) && out.Bits < 32 {
		return wave.TPDF
	}
	return wave.NoDither
}
