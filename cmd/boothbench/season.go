package main

import (
	"path/filepath"
	"strconv"
	"strings"
	"unicode"

	"github.com/spf13/pflag"

	"github.com/boothbench/boothbench/chain/season"
)

const seasonUsage = `boothbench season runs hundreds of takes through one chain, on one machine or on the
nodes of a scheduler that is there already. It has three steps, each with its own --help:

  season plan    writes a manifest: chain, options, takes, and into how many shares
                 the work is divided
  season run     makes the outputs of one share, or of all; it passes over what is done,
                 so after an interruption the same command goes on
  season gather  makes one table of all takes, and exits with 1 unless all are done and
                 meet their limits

There is no coordinator and no lock: a node needs no more than --share 3/20. The
outputs have the same bytes whatever the shares, their order, retries and kills.

Usage: boothbench season plan FOLDER … --chain CHAIN.toml --out-dir DIR [flags]
       boothbench season run DIR [--share K/N] [flags]
       boothbench season gather DIR [--verify] [--csv FILE] [--page FILE] [flags]

Examples:
  boothbench season plan takes --chain voice.toml --out-dir done
  boothbench season run done
  boothbench season gather done --csv season.csv --page season.html --replace
`

const seasonPlanUsage = `boothbench season plan writes the manifest of a season, DIR/season.json: the chain's text,
the options, the takes, and into how many shares the work is divided. It is written once;
another plan needs another folder. Outputs keep their paths below the folder that was
named, so that ep1/take.wav and ep2/take.wav do not collide.

With --spec, or with --loudness-lufs and --true-peak-dbtp, each take is delivered to that
loudness. With --as-one-programme all takes get one gain and meet the loudness together:
every share is run once to analyse them, season gather finds the gain, every share is run
again to render, and season gather measures the whole. Without --share one season run does
all of that.

A conversations file names the takes that are microphones of one conversation. They are made
by one share, measured against each other as boothbench conversation does, and mixed:

  schema = 1
  [[conversation]]
  folders = "ep*"       # the takes of each such folder; or name = "…" and takes = ["…", "…"]
  link = true           # one gain: together they meet the loudness
  mix = "stereo"        # or "mono", "none"
  pan = [-0.3, 0.3]     # of each channel: -1 left, 1 right
  pan_law_db = 3        # lower in the middle than at a side, in dB
  headroom_db = 1       # distance of the mix's true peak from full scale, in dB

The mix is DIR/NAME.mix.wav: the sum of the outputs with one gain, up to the season's
loudness where its headroom allows that, and without limiting.

Usage: boothbench season plan FOLDER … --chain CHAIN.toml --out-dir DIR [flags]
       boothbench season plan --list FILE --chain CHAIN.toml --out-dir DIR [flags]

Examples:
  boothbench season plan takes --chain voice.toml --out-dir done
  boothbench season plan --list takes.txt --chain voice.toml --spec podcast-mono --out-dir done --shares 20
  boothbench season plan takes --chain voice.toml --spec ebu-r128 --as-one-programme --out-dir done
  boothbench season plan takes --chain voice.toml --limits limits.toml --out-dir done
`

const seasonRunUsage = `boothbench season run makes the outputs of a planned season: all of them, or those of one
share. A receipt beside each output records what it was made from, and what is done is not
made again, so after an interruption, or to retry, give the same command again. Any machine
may run any share, in any order and more than once. Each take runs on one processor, and
--jobs is the number of takes that run at a time.

A take that cannot be read fails with its reason. A take whose process ended three times
before its end is given up; --again tries both kinds anew. Neither delays the other takes.

Exit code 0: all of the share is done. 3: a take failed. 2: a file that the season did not
make is in the place of an output. 4: an output cannot be written. 130: interrupted.

Usage: boothbench season run DIR [--share K/N] [flags]

Examples:
  boothbench season run done
  boothbench season run done --jobs 1 --share 3/20
  sbatch --array=1-20 --wrap 'boothbench season run done --jobs 1 --share $SLURM_ARRAY_TASK_ID/20'
`

const seasonGatherUsage = `boothbench season gather makes one table of all takes of a season: what is done, failed,
missing or stale, the readings, and the limits that are not met. Takes are compared with
the others of their folder: an outlier's loudness is more than 1 LU and more than three
spreads from the folder's median, where a spread is 1.4826 times the median distance from
that median. A folder with fewer than four takes is compared with all takes instead. Takes
with less than 10 s of sound above the loudness gate are not compared; they are listed
separately.

Of a season as one programme it also finds the gain, and measures all outputs together.
Partial files of processes that have ended are removed.

It exits with 1 unless all takes are done and all limits are met.

Usage: boothbench season gather DIR [--verify] [--csv FILE] [--page FILE] [flags]

Examples:
  boothbench season gather done
  boothbench season gather done --verify
  boothbench season gather done --csv season.csv --page season.html --replace
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

// visible escapes control characters in the names of a take, so that no name can look like
// a line of the table.
func visible(text string, t season.Take) string {
	for _, name := range []string{t.Path, t.Output, filepath.Base(t.Path)} {
		if strings.ContainsFunc(name, unicode.IsControl) {
			quoted := strconv.Quote(name)
			text = strings.ReplaceAll(text, name, quoted[1:len(quoted)-1])
		}
	}
	return text
}
