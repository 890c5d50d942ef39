package main

import (
	"fmt"

	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/conversation"
)

const conversationUsage = `boothbench conversation measures the microphones of one conversation against each
other: how loud each voice is, how much of it bleeds into the other microphones, by how
many frames it arrives later there, and whether a microphone is inverted or its clock
drifts. Each file, or each channel of a file, is a microphone in front of one voice. A
reading that cannot be given is missing, with the reason.

Where no bleed is found, as between speakers who record themselves at different places, "at
most" states an upper bound: the level of everything in the other microphone while the
voice speaks. Delay, polarity and drift are undecided then: they need a sound that both
recordings have.

The figure after ± is twice the standard error: 19 of 20 readings lie within it. The error
comes from noise, from the echoes of the room, and from heads that move. --json has the
standard error itself.

Usage: boothbench conversation TAKE.wav TAKE.wav … [flags]
       boothbench conversation STEREO.wav

Examples:
  boothbench conversation host.wav guest.wav
  boothbench conversation --json host.wav guest1.wav guest2.wav
  boothbench conversation host.wav guest.wav --csv bleed.csv --replace
`

func runConversation(e env, args []string) error {
	f := e.flags("conversation", conversationUsage)
	asJSON := f.Bool("json", false, "print one JSON object")
	csvFile := f.String("csv", "", "also write a table to this `file`: a row for each voice in each other microphone")
	replace := f.Bool("replace", false, "write over an existing --csv file")
	quiet := f.Bool("quiet", false, "no progress")
	if err := parse(f, args); err != nil {
		return err
	}
	if f.NArg() == 0 {
		return usageError("no take named; for example: boothbench conversation host.wav guest.wav")
	}
	var microphones []conversation.Microphone
	for _, path := range f.Args() {
		if path == standardInput {
			return usageError("found -; accepted: files, which are read several times")
		}
		r, err := wave.Open(path)
		if err != nil {
			return inputError(err)
		}
		warn(e.stderr, r.Warnings())
		channels := r.Format().Channels
		r.Close()
		microphones = append(microphones, conversation.Channels(path, channels, func() (wave.Source, error) { return wave.Open(path) })...)
	}
	if len(microphones) < 2 {
		return usageError("found one microphone; accepted: two or more, as files or as channels of one file")
	}
	var table *wave.File
	if *csvFile != "" {
		var err error
		if table, err = e.createFile(*csvFile, *replace, f.Args()); err != nil {
			return err
		}
		defer table.Abort() // does nothing after it was published
	}
	shown := newProgress(e.stderr, *quiet, 0)
	last := 0
	c, err := conversation.Measure(e.ctx, microphones, func(done, of int) {
		shown.total = int64(of)
		shown.add(int64(done - last))
		last = done
	})
	shown.clear()
	if err != nil {
		return inputError(err)
	}
	if table != nil {
		if err := c.WriteCSV(table); err != nil {
			return outputError(err)
		}
		if err := table.Commit(); err != nil {
			return outputError(err)
		}
	}
	if *asJSON {
		e.printJSON(struct {
			SchemaVersion int    `json:"schema_version"`
			Command       string `json:"command"`
			*conversation.Conversation
		}{1, "conversation", c})
	} else {
		fmt.Fprint(e.stdout, c.Text())
	}
	return nil
}
