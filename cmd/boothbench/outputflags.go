package main

import (
	"github.com/spf13/pflag"

	"github.com/boothbench/boothbench/chain"
)

// outputFlags say where processed takes go, and in which format.
type outputFlags struct {
	out, outDir string
	replace     bool
	bits        int
	float       bool
	dither      string
	ditherSeed  uint64
}

func (o *outputFlags) register(f *pflag.FlagSet) {
	f.StringVar(&o.out, "out", "", "the output `file`, for one take")
	f.StringVar(&o.outDir, "out-dir", "", "the `folder` for the outputs, which get the names of the takes")
	f.BoolVar(&o.replace, "replace", false, "overwrite existing outputs (never an input)")
	f.IntVar(&o.bits, "bits", 0, "bits per sample: 16, 24 or 32; with --float 32 or 64 (default: as the take)")
	f.BoolVar(&o.float, "float", false, "write floating point (default: as the take)")
	f.StringVar(&o.dither, "dither", "auto", "`which` dither: auto, tpdf or none; auto is tpdf where the output has fewer bits than the computed sound")
	f.Uint64Var(&o.ditherSeed, "dither-seed", 1, "seed of the dither noise: same seed, same bits")
}

// check refuses contradictory flags, for a number of takes.
func (o *outputFlags) check(takes int) error {
	switch {
	case o.out != "" && o.outDir != "":
		return usageError("--out and --out-dir exclude each other")
	case o.out == "" && o.outDir == "":
		return usageError("no output named: add --out FILE or --out-dir DIR")
	case o.out != "" && takes > 1:
		return usageError("--out takes one take, found %d; use --out-dir for many", takes)
	case o.float && o.bits != 0 && o.bits != 32 && o.bits != 64:
		return usageError("--bits: found %d with --float; accepted: 32 or 64", o.bits)
	case !o.float && o.bits != 0 && o.bits != 16 && o.bits != 24 && o.bits != 32:
		return usageError("--bits: found %d; accepted: 16, 24 or 32 (with --float 32 or 64)", o.bits)
	}
	if err := checkWAVName("out", o.out); err != nil {
		return err
	}
	if _, err := chain.DitheringNamed(o.dither); err != nil {
		return usageError("--dither: %w%s", err, didYouMean(o.dither, []string{"auto", "tpdf", "none"}))
	}
	return nil
}

// output is the format and dither of the outputs.
func (o *outputFlags) output() chain.Output {
	dither, err := chain.DitheringNamed(o.dither)
	if err != nil {
		panic(err) // check has looked at it
	}
	return chain.Output{Bits: o.bits, Float: o.float, Dither: dither, Seed: o.ditherSeed}
}

// tasksFor warns about a chain, unless quiet, and finds the takes that are named and their
// outputs.
func (o *outputFlags) tasksFor(e env, c *chain.Chain, names []string, quiet bool) ([]task, error) {
	if !quiet {
		warn(e.stderr, c.Warnings())
	}
	takes, err := e.takesOf(names, o.outDir)
	if err != nil {
		return nil, err
	}
	return o.tasks(takes)
}

// tasks gives each take its output.
func (o *outputFlags) tasks(takes []namedTake) ([]task, error) {
	if o.outDir != "" {
		return tasksOf(takes, o.outDir)
	}
	if o.out != "" && len(takes) > 1 {
		return nil, usageError("--out takes one take, found %d; use --out-dir for many", len(takes))
	}
	var tasks []task
	for _, t := range takes {
		tasks = append(tasks, task{t.path, o.out})
	}
	return tasks, nil
}
