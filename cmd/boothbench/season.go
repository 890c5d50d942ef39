package main

import (
	"github.com/spf13/pflag"

	"github.com/boothbench/boothbench/chain/season"
)

const seasonUsage = `boothbench season runs hundreds of takes through one chain, on one machine or on the
nodes of a scheduler that is there already. It has three steps:

  season plan    writes a manifest: chain, options, takes, and into how many shares
                 the work is divided
  season run     makes the outputs of one share, or of all; it passes over what is done,
                 so after an interruption the same command goes on
  season gather  makes one table of all takes, and exits with 1 unless all are done and
                 meet their limits

There is no coordinator and no lock: --share 3/20 is all that a node has to know. The
outputs have the same bytes whatever the shares, their order, retries and kills.

With --as-one-programme all takes get one gain: every share is run once to analyse them,
season gather finds the gain, every share is run again to render, and season gather
measures the whole. Without --share one season run does all of it.

A conversations file says which takes are microphones of one conversation. They are made
by one share, measured against each other as boothbench conversation does, and mixed:

  schema = 1
  [[conversation]]
  folders = "ep*"       # the takes of each such folder; or name = "…" and takes = ["…", "…"]
  link = true           # one gain: together they meet the loudness
  mix = "stereo"        # or "mono", "none"
  pan = [-0.3, 0.3]     # of each channel: -1 left, 1 right
  pan_law_db = 3        # lower in the middle than at a side, in dB
  headroom_db = 1       # the mix's true peak stays so far under full scale

The mix is DIR/NAME.mix.wav: the sum of the outputs with one gain, up to the season's
loudness where its headroom allows that, and without limiting.

Usage: boothbench season plan FOLDER … --chain CHAIN.toml --out-dir DIR [--shares N]
                              [--spec NAME [--as-one-programme]] [--limits LIMITS.toml]
                              [--conversations FILE.toml]
       boothbench season run DIR [--share K/N]
       boothbench season gather DIR [--verify] [--csv FILE] [--page FILE]

Examples:
  boothbench season plan takes --chain voice.toml --out-dir done
  boothbench season run done
  boothbench season gather done --csv season.csv --page season.html --replace
  boothbench season plan --list takes.txt --chain voice.toml --spec podcast-mono --out-dir done --shares 20
  boothbench season run done --share 3/20
  boothbench season plan takes --chain voice.toml --spec ebu-r128 --as-one-programme --out-dir done
`

func runSeason(e env, args []string) error {
	return runStep(e, "season", seasonUsage, []verbStep{{"plan", runSeasonPlan}, {"run", runSeasonRun}, {"gather", runSeasonGather}}, args)
}

func loadSeason(f *pflag.FlagSet) (*season.Plan, error) {
	if f.NArg() != 1 {
		return nil, usageError("found %s; accepted: the folder that season plan made, for example: boothbench %s done", plural(f.NArg(), "argument"), f.Name())
	}
	p, err := season.Load(f.Arg(0))
	return p, inputError(err)
}
