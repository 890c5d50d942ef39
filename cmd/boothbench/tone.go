package main

import (
	"fmt"
	"math"
	"path/filepath"
	"strings"

	"github.com/spf13/pflag"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/stimulus"
)

const toneUsage = `boothbench tone writes a test signal: with silence, marks and a code around it, by
which it is found and recognised in a recording, or alone with --bare (the default of
the line-up tone and the standards' signals; --bare=false puts the marks around them).
Settings of each kind: boothbench tone KIND --help, for example boothbench tone sweep --help

Usage: boothbench tone KIND --out FILE.wav [flags]
       boothbench tone                         (lists the kinds)

Examples:
  boothbench tone sweep --out sweep.wav
  boothbench tone tone --hz 1000 --level-dbfs -18 --seconds 30 --out line-up.wav
`

// cautions stand in every kind's help and are printed with every file.
const cautions = `Caution: test signals are loud. Take headphones off your ears, turn monitors
down, raise the level slowly; sustained high tones burn tweeters.
Before looping back: switch 48 V phantom power off and wait, use a pad where line
feeds a microphone input, turn direct and software monitoring off.
Disconnect loudspeakers for very low frequencies. Measure headphone and line outputs
only: nothing with exposed mains, no bridged amplifier into a grounded input.
Keep to your workplace's rules for sound levels. boothbench plays nothing itself.
`

func runTone(e env, args []string) error {
	if len(args) == 0 {
		e.listKinds()
		return nil
	}
	if strings.HasPrefix(args[0], "-") {
		f := e.flags("tone", toneUsage+"\n"+cautions)
		if err := parse(f, args); err != nil {
			return err
		}
		return usageError("no kind named; boothbench tone lists them")
	}
	kind, err := kindNamed(args[0])
	if err != nil {
		return err
	}
	t := newTone(e, kind)
	if err := parse(t.flags, args[1:]); err != nil {
		return err
	}
	return t.run(e)
}

func (e env) listKinds() {
	for _, k := range stimulus.Kinds() {
		fmt.Fprintf(e.stdout, "  %-18s  %s\n", k.Name(), k.Help)
	}
	fmt.Fprint(e.stdout, "\nnext: boothbench tone KIND --help, or boothbench tone KIND --out FILE.wav\n")
}

// tone is a call of the command for a kind.
type tone struct {
	signalFlags
	flags             *pflag.FlagSet
	out               string
	rate, bits        int
	float, bare       bool
	replace, asJSON   bool
	signal            stimulus.Signal
	sound             dsp.Block       // the signal alone
	parts             *stimulus.Parts // the signal between its marks; nil: bare
	frames            int             // of what is written
	identity          string
	peakDBFS, seconds float64
	markDBFS          float64
	setMarkDBFS       float64 // 0: not set
}

func newTone(e env, kind stimulus.Kind) *tone {
	t := &tone{}
	usage := fmt.Sprintf(`boothbench tone %s: %s

Usage: boothbench tone %[1]s --out FILE.wav [flags]

Examples:
  boothbench tone %[1]s --out %[1]s.wav
  boothbench tone %[1]s --rate 96000 --replace --out %[1]s-96k.wav
`, kind.Name(), kind.Help)
	t.flags = e.flags("tone "+kind.Name(), usage)
	t.signalFlags = settingsOf(kind, t.flags)
	t.flags.StringVar(&t.out, "out", "", "the `file` to write")
	t.flags.IntVar(&t.rate, "rate", 48000, "frames per second, `Hz`")
	t.flags.IntVar(&t.bits, "bits", 24, "`bits` per sample: 16, 24 or 32; with --float 32 or 64")
	t.flags.BoolVar(&t.float, "float", false, "floating point")
	t.flags.BoolVar(&t.bare, "bare", kind.Bare, "the signal alone, without marks and code")
	t.flags.Float64Var(&t.setMarkDBFS, "mark-dbfs", 0, fmt.Sprintf("peak level of the marks and the code, `dBFS`: %g to %g; lower it in front of a gain (unless given: the signal's level; %[2]g around silence)", stimulus.LeastMarkDBFS, stimulus.MostMarkDBFS))
	t.flags.BoolVar(&t.replace, "replace", false, "write over an existing file")
	t.flags.BoolVar(&t.asJSON, "json", false, "print one JSON object")
	usual := t.flags.Usage
	t.flags.Usage = func() {
		usual()
		fmt.Fprintf(e.stdout, "\n%s", cautions)
	}
	return t
}

func (t *tone) run(e env) error {
	if t.flags.NArg() > 0 {
		return usageError("found %q; accepted: flags only (see boothbench %s --help)", t.flags.Arg(0), t.flags.Name())
	}
	if t.out == "" {
		return usageError("--out is missing; for example: boothbench %s --out %s.wav", t.flags.Name(), t.kind.Name())
	}
	format, err := t.format()
	if err != nil {
		return err
	}
	if err := t.make(); err != nil {
		return usageError("%v", named(err))
	}
	if err := t.checkName(); err != nil {
		return err
	}
	format.Channels = len(t.sound)
	options := wave.Options{Replace: t.replace, Frames: int64(t.frames)}
	if t.identity != "" {
		options.Chunks = []wave.Chunk{{ID: stimulus.ChunkID, Data: []byte(t.identity)}}
	}
	if !t.kind.Exact && format.Encoding == wave.Integer && format.Bits < 32 {
		options.Dither, options.Seed = wave.TPDF, 1
	}
	w, err := e.createWAV(t.out, format, options)
	if err != nil {
		return err
	}
	defer w.Abort()
	if err := t.write(w); err != nil {
		return outputError(err)
	}
	if err := w.Commit(); err != nil {
		return outputError(err)
	}
	t.print(e, format, options)
	return nil
}

func (t *tone) format() (wave.Format, error) {
	f := wave.Format{Rate: t.rate, Encoding: wave.Integer, Bits: t.bits}
	if t.float {
		f.Encoding = wave.Float
		if !t.flags.Changed("bits") {
			f.Bits = 32
		}
	}
	switch {
	case t.float && f.Bits != 32 && f.Bits != 64:
		return f, usageError("--bits: found %d with --float; accepted: 32 or 64", f.Bits)
	case !t.float && f.Bits != 16 && f.Bits != 24 && f.Bits != 32:
		return f, usageError("--bits: found %d; accepted: 16, 24 or 32 (with --float 32 or 64)", f.Bits)
	}
	return f, nil
}

func (t *tone) make() error {
	var err error
	if t.signal, err = t.asked(t.flags); err != nil {
		return err
	}
	signal, err := t.signal.Make(t.rate)
	if err != nil {
		return err
	}
	t.peakDBFS, t.seconds = stimulus.PeakDBFS(signal), float64(signal.Frames())/float64(t.rate)
	t.sound, t.frames = signal, signal.Frames()
	if t.flags.Changed("mark-dbfs") && (t.bare || t.setMarkDBFS == 0) {
		return fmt.Errorf("--mark-dbfs: found %g dBFS, bare=%v; accepted: %g to %g, for a signal with marks", t.setMarkDBFS, t.bare, stimulus.LeastMarkDBFS, stimulus.MostMarkDBFS)
	}
	if !t.bare {
		m := t.marked()
		t.identity = m.Identity()
		if t.parts, err = m.Parts(); err == nil {
			t.frames, t.markDBFS = t.parts.Layout.Frames, t.parts.Layout.MarkDBFS
		}
	}
	return err
}

func (t *tone) marked() stimulus.Marked {
	return stimulus.Marked{Signal: t.signal, Rate: t.rate, MarkDBFS: t.setMarkDBFS}
}

// write writes the signal, or the signal between its marks.
func (t *tone) write(w *wave.Writer) error {
	if t.parts == nil {
		return w.Write(t.sound)
	}
	const most = 4096
	b := dsp.NewBlock(len(t.sound), most)
	for from := 0; from < t.frames; from += most {
		for c := range b {
			b[c] = b[c][:min(most, t.frames-from)]
		}
		t.parts.Fill(b, from)
		if err := w.Write(b); err != nil {
			return err
		}
	}
	return nil
}

// loudDBFS is the peak above which a file's name has to warn.
const loudDBFS = -6

// checkName requires FULLSCALE in the name of a loud file.
func (t *tone) checkName() error {
	if t.peakDBFS <= loudDBFS || strings.Contains(filepath.Base(t.out), "FULLSCALE") {
		return nil
	}
	extension := filepath.Ext(t.out)
	return usageError("the signal peaks at %.1f dBFS; above %d dBFS the file's name has to contain FULLSCALE, for example: --out %s-FULLSCALE%s", t.peakDBFS, loudDBFS, strings.TrimSuffix(t.out, extension), extension)
}

func (t *tone) print(e env, f wave.Format, o wave.Options) {
	fmt.Fprint(e.stderr, cautions)
	peak := "silent"
	if !math.IsInf(t.peakDBFS, -1) {
		peak = fmt.Sprintf("peak %.2f dBFS", t.peakDBFS)
	}
	if t.asJSON {
		e.printJSON(t.object(f, o))
		return
	}
	frames := int64(t.frames)
	fmt.Fprintf(e.stdout, "wrote %s  %s, %s, dither %v\n", t.out, measure.TimeCode(frames, f.Rate), f, o.Dither)
	fmt.Fprintf(e.stdout, "      %s, %.3f s, %s\n", stimulus.Describe(t.signal), t.seconds, peak)
	if t.identity == "" {
		fmt.Fprintln(e.stdout, "      bare: without marks, so it cannot be recognised in a recording")
		return
	}
	fmt.Fprintf(e.stdout, "      marks and code %08x around it, marks at %.0f dBFS; its identity is in chunk %q\n", t.marked().Code(), t.markDBFS, stimulus.ChunkID)
}

func (t *tone) object(f wave.Format, o wave.Options) any {
	frames := int64(t.frames)
	out := struct {
		SchemaVersion int      `json:"schema_version"`
		Command       string   `json:"command"`
		ExitCode      int      `json:"exit_code"`
		Signal        string   `json:"signal"`
		Identity      string   `json:"identity,omitempty"`
		Code          string   `json:"code,omitempty"`
		PeakDBFS      *float64 `json:"peak_dbfs"`
		SignalSeconds float64  `json:"signal_seconds"`
		Dither        string   `json:"dither"`
		Output        fileJSON `json:"output"`
	}{SchemaVersion: 1, Command: "tone", Signal: stimulus.Describe(t.signal), Identity: t.identity, SignalSeconds: t.seconds, Dither: o.Dither.String(),
		Output: fileJSON{pathJSON: pathOf(t.out), SHA256: hashOfFile(t.out), Frames: &frames, formatJSON: formatOf(f)}}
	if t.identity != "" {
		out.Code = fmt.Sprintf("%08x", t.marked().Code())
	}
	if !math.IsInf(t.peakDBFS, -1) {
		peak := math.Round(t.peakDBFS*1e6) / 1e6 // smaller digits are rounding
		out.PeakDBFS = &peak
	}
	return out
}
