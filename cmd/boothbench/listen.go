package main

import (
	crand "crypto/rand"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/listen"
)

const listenUsage = `boothbench listen writes a page on which two to six versions of one sound are compared
by ear, in a browser, without a network. The versions are aligned, brought to the level
of the quietest, and switched without a gap at the same frame. Blind runs have a fixed
number of trials and state what chance would have given.

Usage: boothbench listen A.wav B.wav … --out PAGE.html [flags]

Examples:
  boothbench listen before.wav after.wav --from 0:12 --to 1:12 --out page.html
  boothbench listen one.wav two.flac three.wav --out blind.html --key key.json
  boothbench process take.wav --chain voice.toml --out - | boothbench listen take.wav - --out page.html
`

// longestExcerptSeconds is the longest excerpt that --most accepts. (own choice)
const longestExcerptSeconds = 600

func runListen(e env, args []string) error {
	f := e.flags("listen", listenUsage)
	from := f.String("from", "0", "where the excerpt begins in A, as `time`: 12.5, 0:12.5 or 1:02:12.5")
	to := f.String("to", "", "where the excerpt ends in A, as `time`; unless given, at the end of A")
	most := f.Float64("most", listen.DefaultSeconds, "the longest excerpt to accept, in `seconds`")
	level := f.String("level", "loudness", "`how` levels are matched: loudness or least-squares")
	noAlign := f.Bool("no-align", false, "do not align the files; for sounds that are not versions of one")
	difference := f.Bool("difference", false, "also add the difference signals: each version minus A")
	out := f.String("out", "", "the page, an HTML `file`")
	key := f.String("key", "", "show numbers instead of names on the page, in random order, and write the names to this JSON `file`")
	replace := f.Bool("replace", false, "write over existing files")
	asJSON := f.Bool("json", false, "print one JSON object")
	if err := parse(f, args); err != nil {
		return err
	}
	s := listen.Settings{MostSeconds: *most, Unaligned: *noAlign, Difference: *difference}
	switch *level {
	case "loudness":
	case "least-squares":
		s.Level = listen.LeastSquares
	default:
		return usageError("--level: found %q%s; accepted: loudness, least-squares", *level, didYouMean(*level, []string{"loudness", "least-squares"}))
	}
	var err error
	if s.From, err = seconds("from", *from); err != nil {
		return err
	}
	if *to != "" {
		if s.To, err = seconds("to", *to); err != nil {
			return err
		}
		if s.To <= s.From {
			return usageError("--to: found %s; accepted: later than --from", *to)
		}
	}
	switch n := f.NArg(); {
	case n < listen.FewestVersions || n > listen.MostVersions:
		return usageError("found %s; accepted: %d to %d versions, for example: boothbench listen before.wav after.wav --out page.html", plural(n, "file"), listen.FewestVersions, listen.MostVersions)
	case *out == "":
		return usageError("no --out; for example: --out page.html")
	case !(*most > 0 && *most <= longestExcerptSeconds):
		return usageError("--most: found %g; accepted: up to %d seconds", *most, longestExcerptSeconds)
	case *key != "" && *difference:
		return usageError("--key and --difference exclude each other: a difference signal names its versions")
	}
	if err := onceFromStandardInput(f.Args()...); err != nil {
		return err
	}
	var outputs []wave.Output
	page, err := e.createFile(*out, *replace, f.Args())
	if err != nil {
		return outputError(err)
	}
	defer page.Abort()
	outputs = append(outputs, page)
	var keyFile *wave.File
	if *key != "" {
		if keyFile, err = e.createFile(*key, *replace, append([]string{*out}, f.Args()...)); err != nil {
			return outputError(err)
		}
		defer keyFile.Abort()
		outputs = append(outputs, keyFile)
	}

	var sources []listen.Source
	names := wave.DistinctNames(f.Args())
	for i, path := range f.Args() {
		name := names[i]
		if path == standardInput {
			name = nameOf(path)
			if path, err = e.keepTake(); err != nil {
				return runError(name, err)
			}
		}
		if r, err := wave.Open(path); err == nil { // where it cannot be read, Prepare says so
			warn(e.stderr, r.Warnings())
			r.Close()
		}
		sources = append(sources, listen.Source{Name: name, Open: func() (wave.Source, error) {
			r, err := wave.Open(path)
			if err != nil {
				return nil, err
			}
			return r, nil
		}})
	}
	c, err := listen.Prepare(e.ctx, sources, s)
	if err == nil {
		err = writeListening(c, page, keyFile)
	}
	if large := (*listen.TooLargeError)(nil); errors.As(err, &large) {
		return usageError("%v; see --from, --to and --most", err)
	}
	if other := (*listen.NotOneSoundError)(nil); errors.As(err, &other) {
		return inputError(fmt.Errorf("%w (--no-align)", err))
	}
	if err != nil {
		return inputErrorUnless(err)
	}
	if err := wave.CommitTogether(outputs...); err != nil {
		return outputError(err)
	}
	printListening(e, c, *out, keyFile != nil, *asJSON)
	return nil
}

func writeListening(c *listen.Comparison, page, keyFile *wave.File) error {
	settings := listen.PageSettings{Hide: keyFile != nil}
	if settings.Hide {
		var seed [8]byte
		crand.Read(seed[:])
		settings.Seed = binary.LittleEndian.Uint64(seed[:])
	}
	text, key, err := c.Page(settings)
	if err != nil {
		return err
	}
	if _, err := page.Write(text); err != nil {
		return outputError(err)
	}
	if keyFile == nil {
		return nil
	}
	j := json.NewEncoder(keyFile)
	j.SetEscapeHTML(false)
	j.SetIndent("", "  ")
	return outputError(j.Encode(key))
}

// printListening lists the versions by the numbers that they have on the page; where the
// page hides their names, without numbers.
func printListening(e env, c *listen.Comparison, out string, hidden, asJSON bool) {
	type versionJSON struct {
		Name        string          `json:"name"`
		GainDB      float64         `json:"gain_db"`
		DelayFrames float64         `json:"delay_frames"`
		Inverted    bool            `json:"inverted"`
		Loudness    measure.Reading `json:"integrated_lufs"`
	}
	frames := c.Versions[0].Planes.Frames()
	if asJSON {
		o := struct {
			SchemaVersion int           `json:"schema_version"`
			Command       string        `json:"command"`
			ExitCode      int           `json:"exit_code"`
			Out           string        `json:"out"`
			FirstFrame    int64         `json:"first_frame"`
			Frames        int           `json:"frames"`
			Level         string        `json:"level"`
			Versions      []versionJSON `json:"versions"`
		}{1, "listen", exitDone, out, c.FirstFrame, frames, c.Level.String(), nil}
		for _, v := range c.Versions {
			o.Versions = append(o.Versions, versionJSON{v.Name, v.GainDB, v.DelayFrames, v.Inverted, v.Loudness})
		}
		e.printJSON(o)
		return
	}
	fmt.Fprintf(e.stdout, "%s: %s from %s, levels by %s\n", out, fmt.Sprintf("%.2f s", float64(frames)/float64(c.Rate)), measure.TimeCode(c.FirstFrame, c.Rate), c.Level)
	for i, v := range c.Versions {
		turned, number := "", fmt.Sprint(i+1)
		if hidden {
			number = "-"
		}
		if v.Inverted {
			turned = ", polarity inverted here, since it was opposite"
		}
		fmt.Fprintf(e.stdout, "  %s  %-24s %s, gain %s, %s%s\n", number, v.Name, v.Loudness,
			measure.Reading{Value: v.GainDB, Unit: "dB"}, lateness(v.DelayFrames), turned)
	}
	fmt.Fprintln(e.stdout, "  Turn the monitors down before you play the page.")
}

// lateness is the delay of a version against A, in words.
func lateness(frames float64) string {
	about := measure.Reading{Value: math.Round(math.Abs(frames)*100) / 100, Unit: "frames"}
	switch {
	case about.Value == 0:
		return "no delay"
	case frames < 0:
		return about.String() + " earlier"
	}
	return about.String() + " later"
}

// seconds reads a time such as 12.5, 0:12.5 or 1:02:12.5.
func seconds(flag, text string) (float64, error) {
	total, parts := 0.0, strings.Split(text, ":")
	for i, part := range parts {
		v, err := strconv.ParseFloat(part, 64)
		whole := i < len(parts)-1 && v != math.Trunc(v)
		if err != nil || len(parts) > 3 || !(v >= 0 && v < 1e7) || whole || i > 0 && v >= 60 || strings.ContainsAny(part, "+-eExX_") {
			return 0, usageError("--%s: found %q; accepted: a time such as 12.5, 0:12.5 or 1:02:12.5", flag, text)
		}
		total = total*60 + v
	}
	return total, nil
}
