package bench

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/boothbench/boothbench/chain/tomlfile"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
)

// Schema is the version of the plan file that this package reads.
const Schema = 1

// Plan is a plan file: a device, its paths, and the tests of each.
type Plan struct {
	Name    string // of the file
	Digest  string // SHA-256 of its text
	Device  string
	Repeats int // how many times every condition is recorded
	Bits    int // word length of the files to play
	Paths   []*Path
	Tests   []CustomTest
	Claims  []Claim
}

// Path is one signal path through the device and the conditions under which it is measured:
// every gain with every load, rate and buffer size.
type Path struct {
	Name     string
	Kind     string // one of PathKinds
	Setup    string // what to connect, for the cue sheet
	Channels int
	// LevelDBFS is the peak level of the stimuli: one level for all gains, or one for each.
	LevelDBFS     []float64
	GainsDB       []float64 // nominal gains, as set at the device
	LoadsOhm      []float64 // 0: no load
	RatesHz       []int
	BuffersFrames []int
	SourceOhm     float64 // resistance that terminates the input for input-noise; 0: not given
	// Calibration relates the recording's full scale to volts at the device's output.
	Calibration *measure.Calibration
	// Together states that playing and recording start at the same frame: only then does a
	// recording have a latency.
	Together bool
	Tests    []string
	// Sensitivity of the headphone, for noise in dB SPL; at most one of the two is given.
	SensitivityDBPerVolt, SensitivityDBPerMilliwatt float64
	HeadphoneOhm                                    float64
	// Impedance of the headphone at its resonance, the frequency of the resonance and its Q;
	// all three are 0 if not given.
	HeadphonePeakOhm, HeadphoneResonanceHz, HeadphoneQ float64
	// InputCalibration relates the player's full scale to volts at the device's input;
	// nil: not given.
	InputCalibration *measure.Calibration
	CeilingDBTP      *float64 // of a limiter, for overshoot
	DriveDB          float64  // gain in front of the limiter
}

// Claim is a figure of a data sheet, compared with the readings of a path.
type Claim struct {
	Path, Test string // "": every path, or test, that has the reading
	Limit      measure.Limit
	Why        string
}

// ReadPlan reads the text of a plan file. Name is the file's name in errors, which are of type
// *tomlfile.FileError.
func ReadPlan(name string, text []byte) (*Plan, error) {
	file, err := tomlfile.Read(name, "a plan file", text, "path", "test", "claim")
	if err != nil {
		return nil, err
	}
	sum := sha256.Sum256(text)
	d := &decoder{file, &Plan{Name: name, Digest: hex.EncodeToString(sum[:]), Repeats: 1, Bits: 24}}
	d.top()
	return d.plan, file.Err()
}

// LoadPlan reads a plan file.
func LoadPlan(name string) (*Plan, error) {
	text, err := tomlfile.Load(name, "plan file")
	if err != nil {
		return nil, err
	}
	return ReadPlan(name, text)
}

// decoder builds a plan from the parsed plan file.
type decoder struct {
	*tomlfile.Document
	plan *Plan
}

func (d *decoder) top() {
	d.Schema(Schema)
	keys := []string{"schema", "device", "repeats", "bits", "path", "test", "claim"}
	// Tests are read first, because paths refer to them.
	if e := d.Root.Entry("test"); e != nil {
		d.Tables(*e, func(v *tomlfile.Value) { d.test(v) })
	}
	for _, e := range d.Root.Entries {
		switch e.Key {
		case "schema", "test", "claim":
		case "device":
			d.plan.Device = d.String(e)
		case "repeats":
			d.plan.Repeats = d.whole(e, 1, 100)
		case "bits":
			if d.plan.Bits = d.whole(e, 16, 32); d.plan.Bits != 16 && d.plan.Bits != 24 && d.plan.Bits != 32 && e.Value.Kind == tomlfile.Integer {
				d.Report(e.Value.At, tomlfile.Problem{Key: e.Key, Found: "found " + e.Value.Raw, Accepted: "16, 24 or 32"})
			}
		case "path":
			d.Tables(e, func(v *tomlfile.Value) { d.path(v) })
		default:
			d.Unknown(e, keys, "")
		}
	}
	if e := d.Root.Entry("claim"); e != nil {
		d.Tables(*e, func(v *tomlfile.Value) { d.claim(v) })
	}
	if d.Root.Entry("device") == nil {
		d.Report(tomlfile.Span{}, tomlfile.Problem{Key: "device", Found: "missing", Accepted: `device = "…", which heads its column beside other devices`})
	}
	d.AtLeastOne("path", "a [[path]] table for each way through the device")
}

// number returns a number, and reports one that is out of bounds or no number.
func (d *decoder) number(e tomlfile.Entry, low, high float64) float64 {
	v, ok := d.Number(e)
	if ok && !(v >= low && v <= high) {
		d.Report(e.Value.At, tomlfile.Problem{Key: e.Key, Found: "found " + e.Value.Raw, Accepted: fmt.Sprintf("%g to %g", low, high)})
	}
	return v
}

func (d *decoder) whole(e tomlfile.Entry, low, high int) int {
	if e.Value.Kind == tomlfile.Float {
		d.WrongType(e.Key, e.Value, "a whole number", "")
		return low
	}
	return int(d.number(e, float64(low), float64(high)))
}

// numbers returns a number, or a list of numbers, as a list.
func (d *decoder) numbers(e tomlfile.Entry, low, high float64) (all []float64) {
	if e.Value.Kind != tomlfile.Array {
		return []float64{d.number(e, low, high)}
	}
	for _, item := range e.Value.Items {
		all = append(all, d.number(tomlfile.Entry{Key: e.Key, At: item.At, Value: item}, low, high))
	}
	if len(all) == 0 {
		d.Report(e.Value.At, tomlfile.Problem{Key: e.Key, Found: "an empty list", Accepted: "one number or more"})
	}
	return all
}

func (d *decoder) wholes(e tomlfile.Entry, low, high int) (all []int) {
	for _, v := range d.numbers(e, float64(low), float64(high)) {
		if v != math.Trunc(v) {
			d.Report(e.Value.At, tomlfile.Problem{Key: e.Key, Found: fmt.Sprintf("found %g", v), Accepted: "whole numbers"})
		}
		all = append(all, int(v))
	}
	return all
}

var pathKeys = []string{"name", "kind", "setup", "channels", "level_dbfs", "gains_db", "loads_ohm", "rates_hz", "buffers_frames", "source_ohm", "calibration", "input_calibration", "together", "tests", "ceiling_dbtp", "drive_db", "sensitivity_db_spl_per_v", "sensitivity_db_spl_per_mw", "headphone_ohm", "headphone_peak_ohm", "headphone_resonance_hz", "headphone_q"}

func (d *decoder) path(v *tomlfile.Value) {
	p := &Path{Channels: 1, LevelDBFS: []float64{-20}, RatesHz: []int{48000}}
	for _, e := range v.Entries {
		switch e.Key {
		case "name":
			p.Name = d.String(e)
		case "kind":
			p.Kind = d.String(e)
			if _, known := cautionOf[p.Kind]; !known && e.Value.Kind == tomlfile.String {
				d.choice(e, p.Kind, PathKinds())
			}
		case "setup":
			p.Setup = d.String(e)
		case "channels":
			p.Channels = d.whole(e, 1, dsp.MaxChannels)
		case "level_dbfs":
			p.LevelDBFS = d.numbers(e, -120, 0)
		case "gains_db":
			p.GainsDB = d.numbers(e, -120, 120)
		case "loads_ohm":
			p.LoadsOhm = d.numbers(e, 0, 1e7)
		case "rates_hz":
			p.RatesHz = d.wholes(e, 8000, dsp.MaxRate)
		case "buffers_frames":
			p.BuffersFrames = d.wholes(e, 1, 1<<20)
		case "source_ohm":
			p.SourceOhm = d.number(e, 1e-3, 1e9)
		case "sensitivity_db_spl_per_v":
			p.SensitivityDBPerVolt = d.number(e, 1, 200)
		case "sensitivity_db_spl_per_mw":
			p.SensitivityDBPerMilliwatt = d.number(e, 1, 200)
		case "headphone_ohm":
			p.HeadphoneOhm = d.number(e, 1, 1e5)
		case "headphone_peak_ohm":
			p.HeadphonePeakOhm = d.number(e, 1, 1e5)
		case "headphone_resonance_hz":
			p.HeadphoneResonanceHz = d.number(e, 1, 20000)
		case "headphone_q":
			p.HeadphoneQ = d.number(e, 0.01, 100)
		case "ceiling_dbtp":
			ceiling := d.number(e, -60, 0)
			p.CeilingDBTP = &ceiling
		case "drive_db":
			p.DriveDB = d.number(e, 0, 60)
		case "calibration":
			p.Calibration = d.calibration(e)
		case "input_calibration":
			p.InputCalibration = d.calibration(e)
		case "together":
			if e.Value.Kind != tomlfile.Bool {
				d.WrongType(e.Key, e.Value, "true or false", "")
			}
			p.Together = e.Value.Number == 1
		case "tests":
			p.Tests = d.testNames(e)
		default:
			d.Unknown(e, pathKeys, "")
		}
	}
	d.checkPath(v, p)
	d.plan.Paths = append(d.plan.Paths, p)
}

func (d *decoder) calibration(e tomlfile.Entry) *measure.Calibration {
	c, err := measure.ParseCalibration(d.String(e))
	if err != nil && e.Value.Kind == tomlfile.String {
		d.Report(e.Value.At, tomlfile.Problem{Key: e.Key, Found: err.Error()})
	}
	return c
}

// choice reports a word that is not among those accepted.
func (d *decoder) choice(e tomlfile.Entry, found string, accepted []string) {
	p := tomlfile.Problem{Key: e.Key, Found: "found " + tomlfile.Quote(found), Accepted: strings.Join(accepted, ", ")}
	if near := tomlfile.Nearest(found, accepted); near != "" {
		p.Hint = "did you mean " + near + "?"
	}
	d.Report(e.Value.At, p)
}

func (d *decoder) testNames(e tomlfile.Entry) (names []string) {
	if e.Value.Kind != tomlfile.Array {
		d.WrongType(e.Key, e.Value, `a list of names, such as ["response", "idle-noise"]`, "")
		return nil
	}
	known := TestNames()
	for _, c := range d.plan.Tests {
		known = append(known, c.Name)
	}
	for _, item := range e.Value.Items {
		entry := tomlfile.Entry{Key: e.Key, At: item.At, Value: item}
		name := d.String(entry)
		if !slices.Contains(known, name) && item.Kind == tomlfile.String {
			d.choice(entry, name, known)
		}
		names = append(names, name)
	}
	return names
}

// once reports entries that occur twice in a list, because their conditions would be the same.
func (d *decoder) once(e tomlfile.Entry) {
	for i, item := range e.Value.Items {
		if slices.ContainsFunc(e.Value.Items[:i], func(other *tomlfile.Value) bool {
			return other.Text == item.Text && other.Number == item.Number
		}) {
			d.Report(item.At, tomlfile.Problem{Key: e.Key, Found: cmp.Or(item.Raw, tomlfile.Quote(item.Text)) + " twice", Accepted: "each once; repeats = 2 records every condition twice"})
		}
	}
}

// checkPath reports missing entries of a path, and entries that exclude each other.
func (d *decoder) checkPath(v *tomlfile.Value, p *Path) {
	report := func(key, found, accepted string) {
		at := v.At
		if e := v.Entry(key); e != nil {
			at = e.Value.At
		}
		d.Report(at, tomlfile.Problem{Key: key, Found: found, Accepted: accepted})
	}
	if p.Name == "" {
		report("name", "missing", `name = "line input", or another name of the path`)
	}
	if p.Kind == "" {
		report("kind", "missing", strings.Join(PathKinds(), ", "))
	}
	if len(p.Tests) == 0 {
		report("tests", "missing", `a list of names, such as tests = ["response", "idle-noise"]`)
	}
	for _, key := range []string{"gains_db", "loads_ohm", "rates_hz", "buffers_frames", "tests"} {
		if e := v.Entry(key); e != nil {
			d.once(*e)
		}
	}
	for _, other := range d.plan.Paths {
		if other.Name == p.Name && p.Name != "" {
			report("name", "a second path "+tomlfile.Quote(p.Name), "a name of its own for each path")
		}
	}
	if n := len(p.LevelDBFS); n > 1 && n != len(p.GainsDB) {
		report("level_dbfs", dsp.Plural(n, "level")+" for "+dsp.Plural(len(p.GainsDB), "gain"), "one level, or one for each of gains_db")
	}
	if slices.Contains(p.Tests, "input-noise") && (p.SourceOhm == 0 || len(p.GainsDB) == 0 || p.Calibration == nil) {
		report("tests", "input-noise without source_ohm, gains_db or calibration", "all three: noise is referred to the input by the gain, and compared with the source's own")
	}
	for _, name := range []string{"crosstalk", "balance"} {
		if slices.Contains(p.Tests, name) && p.Channels < 2 {
			report("channels", fmt.Sprintf("%d with the test %s", p.Channels, name), "2 or more")
		}
	}
	if slices.Contains(p.Tests, "overshoot") && p.CeilingDBTP == nil {
		report("ceiling_dbtp", "missing with the test overshoot", "the ceiling that the limiter is set to, such as ceiling_dbtp = -1")
	}
	if slices.Contains(p.Tests, "overshoot") && p.CeilingDBTP != nil {
		if dbfs, is := tooLoud(p); is {
			report("ceiling_dbtp", fmt.Sprintf("signals of %+.1f dBFS", dbfs), fmt.Sprintf("a ceiling lower by %.0f dB, or drive_db: so much gain in front of the limiter, set at the device; the signals rise far over the ceiling, and a file holds up to 0 dBFS", math.Ceil(dbfs)))
		}
	}
	if given := []bool{p.HeadphonePeakOhm > 0, p.HeadphoneResonanceHz > 0, p.HeadphoneQ > 0}; slices.Contains(given, true) && (slices.Contains(given, false) || p.HeadphonePeakOhm < p.HeadphoneOhm || p.HeadphoneOhm == 0) {
		report("headphone_peak_ohm", "a resonance that is not whole", "headphone_ohm, headphone_peak_ohm (no less), headphone_resonance_hz and headphone_q, all four")
	}
	if p.SensitivityDBPerMilliwatt != 0 && p.HeadphoneOhm == 0 {
		report("sensitivity_db_spl_per_mw", "no headphone_ohm", "the headphone's impedance: it turns milliwatts into volts")
	}
	if p.SensitivityDBPerMilliwatt+p.SensitivityDBPerVolt != 0 && p.Calibration == nil {
		report("calibration", "missing", `a calibration such as "0 dBFS = +16 dBu": without it there are no volts`)
	}
	for _, hz := range p.RatesHz {
		for _, t := range p.Tests {
			for _, s := range d.plan.signalsOf(t, p, p.LevelDBFS[0]) {
				if _, err := s.signal.Make(hz); err != nil {
					report("tests", t+" at "+strconv.Itoa(hz)+" Hz: "+err.Error(), "a test that can be made at this rate")
				}
			}
		}
	}
}

func (d *decoder) claim(v *tomlfile.Value) {
	about, some := Claim{}, false
	for key, to := range map[string]*string{"path": &about.Path, "test": &about.Test, "why": &about.Why} {
		if part := v.Entry(key); part != nil {
			*to = d.String(*part)
		}
	}
	d.checkClaim(v, about)
	for _, e := range v.Entries {
		switch e.Key {
		case "path", "test", "why":
			continue
		}
		some = true
		if !IsReading(e.Key) {
			d.Unknown(e, append(Readings(), "path", "test", "why"), "path, test, why and readings of a sheet; boothbench explain --readings lists them")
			continue
		}
		if b, ok := d.Bounds(e); ok {
			c := about
			c.Limit = measure.Limit{Reading: e.Key, Min: b.Min, Max: b.Max}
			d.plan.Claims = append(d.plan.Claims, c)
		}
	}
	if !some {
		d.Report(v.At, tomlfile.Problem{Key: "[[claim]]", Found: "no reading", Accepted: "a reading of a sheet with its limit, such as dynamic_range_a_db = { min = 110 }"})
	}
}

// checkClaim reports a path or a test that is not in the plan.
func (d *decoder) checkClaim(v *tomlfile.Value, c Claim) {
	var paths, tests []string
	for _, p := range d.plan.Paths {
		paths = append(paths, p.Name)
		if c.Path != "" && c.Path != p.Name {
			continue
		}
		for _, name := range p.Tests {
			for _, level := range p.LevelDBFS {
				for _, s := range d.plan.signalsOf(name, p, level) {
					tests = append(tests, s.name)
				}
			}
			if name == overshootTest { // the row of its largest overshoot
				tests = append(tests, name)
			}
		}
	}
	if c.Path != "" && !slices.Contains(paths, c.Path) {
		d.choice(*v.Entry("path"), c.Path, paths)
		return
	}
	if c.Test != "" && !slices.Contains(tests, c.Test) {
		slices.Sort(tests)
		d.choice(*v.Entry("test"), c.Test, slices.Compact(tests))
	}
}

func (p *Plan) path(name string) *Path {
	for _, path := range p.Paths {
		if path.Name == name {
			return path
		}
	}
	return nil
}
