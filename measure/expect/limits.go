package expect

import (
	"fmt"
	"math"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/chain/tomlfile"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/bench"
)

// Schema is the version of the limits file that this package reads.
const Schema = 1

// Limits is a limits file: expectations of files and chains, and
// specifications of its own.
type Limits struct {
	Path   string
	Name   string
	Groups []Group
	Specs  []Spec

	// Artefacts is a folder for the difference of each file that does not meet a limit of
	// a comparison; "": none is written.
	Artefacts string
}

// Group is one [[expect]] of a limits file: limits for a group of files, for a chain or for a
// device's sheet.
type Group struct {
	Files    []string // patterns, relative to the folder of the limits file; none: every file that is named
	Like     string   // a file to compare with, or a pattern of files of the same names; "": none
	Baseline string   // a folder of baselines; "": none
	Through  string   // a chain that the files are run through: the limits are for its output; "": none
	Chain    string   // a chain file, in place of files; "": none
	Sheet    string   // a device's sheet, in place of files; "": none
	// SheetPath and SheetTest narrow a sheet's rows; "": all.
	SheetPath, SheetTest string
	Accept               []string // phrases of a sheet's findings that are no reason to fail
	RateHz               int      // at which the chain is looked at
	Limits               []measure.Limit
	Line                 int
	folder               string // of the limits file; "": where the program runs
}

// Load reads a limits file. What is wrong with its text is a
// *tomlfile.FileError; that it cannot be read, the error of package os.
func Load(name string) (*Limits, error) {
	text, err := tomlfile.Load(name, "limits file")
	if err != nil {
		return nil, err
	}
	return Parse(name, text)
}

// Parse reads the text of a limits file; name stands for it in errors, and paths
// in it are relative to the folder of name.
func Parse(name string, text []byte) (*Limits, error) {
	file, err := tomlfile.Read(name, "a limits file", text, "expect", "spec")
	if err != nil {
		return nil, err
	}
	d := &decoder{file, &Limits{Path: name, Specs: builtIn()}}
	d.top()
	if err := file.Err(); err != nil {
		return nil, err
	}
	return d.limits, nil
}

// decoder turns the tree of a limits file into limits.
type decoder struct {
	*tomlfile.Document
	limits *Limits
}

var topKeys = []string{"schema", "name", "expect", "spec"}

func (d *decoder) top() {
	d.Schema(Schema)
	d.readSpecs()
	for _, e := range d.Root.Entries {
		switch e.Key {
		case "schema", "spec":
		case "name":
			d.limits.Name = d.String(e)
		case "expect":
			d.Tables(e, func(t *tomlfile.Value) { d.limits.Groups = append(d.limits.Groups, d.group(t)) })
		default:
			d.Unknown(e, topKeys, "")
		}
	}
	d.AtLeastOne("expect", "an [[expect]] table for each group of files")
}

var groupKeys = []string{"files", "through", "like", "baseline", "chain", "rate_hz", "spec"}

func (d *decoder) group(t *tomlfile.Value) Group {
	if t.Entry("sheet") != nil {
		return d.sheetGroup(t)
	}
	g := Group{Line: d.LineOf(t.At.From), RateHz: 48000, folder: filepath.Dir(d.Path)}
	for _, e := range t.Entries {
		switch e.Key {
		case "files":
			g.Files = d.patterns(e)
		case "like":
			g.Like = d.path(e)
		case "baseline":
			g.Baseline = d.path(e)
		case "chain":
			g.Chain = d.path(e)
		case "through":
			g.Through = d.path(e)
		case "rate_hz":
			if e.Value.Kind == tomlfile.Table { // a limit of files; a chain has the rate it is given
				if l, ok := d.limit(e, groupKeys); ok {
					g.Limits = append(g.Limits, l)
				}
				continue
			}
			g.RateHz = d.rate(e)
		case "spec":
			g.Limits = append(g.Limits, d.specified(e)...)
		default:
			if l, ok := d.limit(e, groupKeys); ok {
				g.Limits = append(g.Limits, l)
			}
		}
	}
	if e := t.Entry("rate_hz"); e != nil && e.Value.Kind != tomlfile.Table && g.Chain == "" {
		d.Report(e.At, tomlfile.Problem{Key: "rate_hz", Found: "a rate for files, which have their own", Hint: "a number goes with chain = …; a limit is rate_hz = { min = " + e.Value.Raw + ", max = " + e.Value.Raw + " }"})
	}
	if e := t.Entry("through"); e != nil && (t.Entry("chain") != nil || t.Entry("like") != nil || t.Entry("baseline") != nil) {
		d.Report(e.At, tomlfile.Problem{Key: "through", Found: "through together with chain, like or baseline", Hint: "use a separate [[expect]] for each"})
	}
	if e := t.Entry("chain"); e != nil && (t.Entry("files") != nil || t.Entry("like") != nil || t.Entry("baseline") != nil) {
		d.Report(e.At, tomlfile.Problem{Key: "chain", Found: "chain together with files, like or baseline", Hint: "use a separate [[expect]] for the chain"})
	}
	if g.Baseline != "" {
		g.Baseline = onPlatform(g.Baseline)
		for _, usual := range BaselineLimits() { // those that the group does not set itself
			if !slices.ContainsFunc(g.Limits, func(l measure.Limit) bool { return l.Reading == usual.Reading }) {
				g.Limits = append(g.Limits, usual)
			}
		}
	}
	if len(g.Limits) == 0 && !slices.ContainsFunc(t.Entries, meantAsLimit) {
		d.Report(t.At, tomlfile.Problem{Key: "[[expect]]", Found: "no limit", Accepted: `a reading with its limit, such as true_peak_dbtp = { max = -1 }, or spec = "ebu-r128"`})
	}
	d.fit(t, g)
	return g
}

// meantAsLimit reports whether an entry is a limit, or was meant as one.
func meantAsLimit(e tomlfile.Entry) bool {
	return e.Key == "spec" || !slices.Contains(groupKeys, e.Key)
}

// rate is a rate in Hz.
func (d *decoder) rate(e tomlfile.Entry) int {
	v, ok := d.Number(e)
	if ok && (v != math.Trunc(v) || v < dsp.MinRate || v > dsp.MaxRate) {
		d.Report(e.Value.At, tomlfile.Problem{Key: e.Key, Found: "found " + e.Value.Raw, Accepted: fmt.Sprintf("%d to %d Hz", dsp.MinRate, dsp.MaxRate)})
	}
	return int(v)
}

// fit reports limits of readings that the group has no instrument for.
func (d *decoder) fit(t *tomlfile.Value, g Group) {
	for _, e := range t.Entries {
		kind, known := originOf(e.Key)
		switch {
		case !known, e.Key == "rate_hz" && e.Value.Kind != tomlfile.Table:
		case kind == ofRun && g.Through == "":
			d.Report(e.At, tomlfile.Problem{Key: e.Key, Found: "a reading of a run through a chain, but no chain is named", Hint: `add through = "voice.toml"`})
		case g.Through != "" && kind != ofRun && kind != ofMeter && kind != ofFormat:
			d.Report(e.At, tomlfile.Problem{Key: e.Key, Found: "not a reading of what comes out of a chain", Hint: "give the files an [[expect]] without through"})
		case kind == ofComparison && g.Like == "":
			d.Report(e.At, tomlfile.Problem{Key: e.Key, Found: "a reading of a comparison, but nothing to compare with", Hint: `add like = "reference.wav"`})
		case kind == ofBaseline && g.Baseline == "":
			d.Report(e.At, tomlfile.Problem{Key: e.Key, Found: "a reading against a baseline, but none is named", Hint: `add baseline = "baseline", a folder of check --record`})
		case kind.ofChain() && g.Chain == "":
			d.Report(e.At, tomlfile.Problem{Key: e.Key, Found: "a reading of a chain", Hint: `add chain = "voice.toml" in place of files`})
		case !kind.ofChain() && g.Chain != "":
			d.Report(e.At, tomlfile.Problem{Key: e.Key, Found: "a reading of a file, in an [[expect]] of a chain", Hint: "give the files an [[expect]] of their own"})
		}
	}
}

func (d *decoder) patterns(e tomlfile.Entry) []string {
	const accepted = `a list of file names or patterns, such as ["ep*.wav"]`
	if e.Value.Kind != tomlfile.Array {
		d.WrongType(e.Key, e.Value, accepted, "")
		return nil
	}
	if len(e.Value.Items) == 0 {
		d.Report(e.Value.At, tomlfile.Problem{Key: e.Key, Found: "an empty list", Accepted: accepted, Hint: "without files = … an [[expect]] applies to every file that is named"})
	}
	var patterns []string
	for _, item := range e.Value.Items {
		if item.Kind != tomlfile.String {
			d.WrongType(e.Key, item, accepted, "")
			continue
		}
		if _, err := path.Match(item.Text, ""); err != nil || item.Text == "" {
			d.Report(item.At, tomlfile.Problem{Key: e.Key, Found: "the pattern " + tomlfile.Quote(item.Text), Accepted: accepted})
			continue
		}
		patterns = append(patterns, item.Text)
	}
	return patterns
}

// path is a path in the file as seen from where the program runs.
func (d *decoder) path(e tomlfile.Entry) string {
	name := d.String(e)
	if name == "" {
		return ""
	}
	return beside(filepath.Dir(d.Path), name)
}

// limit reads an entry such as true_peak_dbtp = { max = -1, why = "the platform's" }.
func (d *decoder) limit(e tomlfile.Entry, others []string) (measure.Limit, bool) {
	if _, known := originOf(e.Key); !known {
		if name, channel, one := ofOneChannel(e.Key); one {
			if _, known := originOf(name); known {
				d.noChannel(e, name, channel)
				return measure.Limit{}, false
			}
		}
		if bench.IsReading(e.Key) {
			d.Report(e.At, tomlfile.Problem{Key: e.Key, Found: "a reading of a device's sheet", Hint: `add sheet = "device.json" in place of files`})
			return measure.Limit{}, false
		}
		d.Unknown(e, append(readingNames(), others...), "the name of a reading (boothbench explain --readings lists them)")
		return measure.Limit{}, false
	}
	b, ok := d.Bounds(e, "why")
	l := measure.Limit{Reading: e.Key, Min: b.Min, Max: b.Max}
	if why := e.Value.Entry("why"); ok && why != nil {
		l.Source = d.String(*why)
	}
	return l, ok
}

// noChannel reports a limit of one channel that no file can have.
func (d *decoder) noChannel(e tomlfile.Entry, name string, channel int) {
	if slices.Contains(inChannels, name) {
		d.Report(e.At, tomlfile.Problem{Key: e.Key, Found: "no such channel", Accepted: fmt.Sprintf("_ch1 to _ch%d", dsp.MaxChannels)})
		return
	}
	d.Report(e.At, tomlfile.Problem{Key: e.Key, Found: name + " is not measured in single channels", Accepted: "of one channel: " + strings.Join(inChannels, ", "), Hint: "did you mean " + name + "?"})
}
