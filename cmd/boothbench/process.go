package main

import (
	"fmt"

	"github.com/boothbench/boothbench/dsp/wave"
)

const processUsage = `boothbench process runs takes (WAV, FLAC) through the stages of a chain file. The
output has the take's length, rate and channels, and is aligned with it frame by
frame: the latency of look-ahead stages is removed. A folder stands for the sound
files in it and below, which keep their paths. - is standard input or output.

Usage: boothbench process TAKE.wav --chain CHAIN.toml --out OUT.wav [flags]
       boothbench process TAKE.wav|FOLDER … --chain CHAIN.toml --out-dir DIR [flags]
       boothbench process - --chain CHAIN.toml --out - [--raw FORMAT] [--live]

Examples:
  boothbench process take.wav --chain voice.toml --out take-voice.wav
  boothbench process take.wav --chain voice.toml --plan
  boothbench process season --chain voice.toml --out-dir done --skip-done
  RECORD | boothbench process - --raw 48000,2,s24le --chain voice.toml --out - --live | PLAY
`

func runProcess(e env, args []string) error {
	var s processSettings
	f := e.flags("process", processUsage)
	s.register(f)
	if err := parse(f, args); err != nil {
		return err
	}
	s.rawOut = s.rawOut || s.raw != "" && !f.Changed("raw-out")
	if err := s.check(f.Args()); err != nil {
		return err
	}
	if s.out == standardInput {
		if onTerminal(e.stdout.w) {
			return usageError("--out -: found a terminal as standard output; accepted: a pipe or a file")
		}
		e = e.printingTo(e.stderr)
	}
	c, err := e.loadChain(s.chain)
	if err != nil {
		if s.json { // no take has an object then
			e.printJSON(failureJSON{1, "process", exitCode(err), wave.ErrorText(err)})
		}
		return err
	}
	tasks, err := s.tasksFor(e, c, f.Args(), s.quiet)
	if err != nil {
		return err
	}
	if s.trace != "" && len(tasks) > 1 {
		return usageError("--trace takes one take, found %d", len(tasks))
	}
	b := &batch{env: e, settings: s, chain: c, tasks: tasks}
	return b.run()
}

// printLiveDelay prints, before the run, by how much a live output is later than its input.
func (b *batch) printLiveDelay(r *report) {
	if !b.settings.live {
		return
	}
	rate, block := r.inFormat.Rate, b.settings.blockFrames
	fmt.Fprintf(b.stderr, "live: %s comes out at most %s (%.3f ms) after it went in: %d for the chain's latency and %d for a block\n",
		"a frame", plural(r.latency+block, "frame"), milliseconds(r.latency+block, rate), r.latency, block)
}
