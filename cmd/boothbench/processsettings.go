package main

import (
	"runtime"

	"github.com/spf13/pflag"
)

// processSettings is what the flags ask for.
type processSettings struct {
	outputFlags
	chain, trace        string
	keepDelay, plan     bool
	repair, json, quiet bool
	jobs                int
}

func (s *processSettings) register(f *pflag.FlagSet) {
	f.StringVar(&s.chain, "chain", "", "the chain `file` (TOML; boothbench init writes one)")
	s.outputFlags.register(f)
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
	case s.trace != "" && len(takes) > 1:
		return usageError("--trace takes one take, found %d", len(takes))
	case s.jobs < 1:
		return usageError("--jobs: found %d; accepted: 1 or more", s.jobs)
	}
	if s.out == "" && s.outDir == "" {
		if s.plan {
			return nil
		}
		return usageError("no output named: add --out FILE or --out-dir DIR, or --plan to see what would be done")
	}
	return s.outputFlags.check(len(takes))
}
