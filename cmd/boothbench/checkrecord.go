package main

import (
	"errors"
	"fmt"
	"os"
	"time"

	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/expect"
)

// recordOptions are those of check --record.
type recordOptions struct {
	dir, why   string
	all, prune bool
}

// record stores baselines for the files that are new or have changed, all or none, and
// prints how each has changed. Without a reason it prints the changes and stores nothing.
func (e env) record(o recordOptions, files []string) error {
	if len(files) == 0 && !o.prune {
		return usageError("--record: no file named")
	}
	if _, err := os.Stat(o.dir); err != nil && o.why == "" {
		return usageError("--record: no reason; add --why \"first recording\", or another reason")
	}
	if err := wave.MakeFolder(o.dir); err != nil {
		return outputError(err)
	}
	release, err := wave.HoldFolder(e.ctx, o.dir)
	if err != nil {
		return outputError(err)
	}
	defer release()
	e.sweep(o.dir)
	plan, err := expect.PlanRecording(e.ctx, o.dir, files, o.all)
	if err != nil {
		return inputErrorUnless(err)
	}
	recording := 0
	for _, r := range plan {
		switch {
		case r.State == expect.New:
			recording++
			fmt.Fprintf(e.stdout, "new       %s\n", r.File)
		case r.State == expect.Changed:
			recording++
			fmt.Fprintf(e.stdout, "changed   %s %s\n", r.File, r.Change)
		case r.Change != "":
			fmt.Fprintf(e.stdout, "kept      %s %s\n", r.File, r.Change)
		default:
			fmt.Fprintf(e.stdout, "kept      %s has the samples that were recorded\n", r.File)
		}
	}
	if recording > 0 {
		if o.why == "" {
			return usageError("--record: no reason, and nothing is recorded; add --why with the reason for the %s above", plural(recording, "recording"))
		}
		if err := expect.Record(o.dir, plan, o.why, time.Now()); err != nil {
			return outputError(err)
		}
		for _, r := range plan {
			if r.State != expect.Kept {
				fmt.Fprintf(e.stdout, "recorded  %s in %s (recording %d)\n", r.File, r.Path, r.History)
			}
		}
	}
	return e.prune(o)
}

// prune lists the baselines whose files no longer exist, and removes them with --prune.
func (e env) prune(o recordOptions) error {
	orphans, err := expect.Orphans(o.dir)
	if err != nil {
		return inputError(err)
	}
	var failed error
	for _, path := range orphans {
		if !o.prune {
			fmt.Fprintf(e.stdout, "orphan    %s: its file is no longer there; --prune removes it\n", path)
			continue
		}
		if err := os.Remove(path); err != nil {
			failed = errors.Join(failed, err)
			continue
		}
		fmt.Fprintf(e.stdout, "pruned    %s: its file is no longer there\n", path)
	}
	return outputError(failed)
}
