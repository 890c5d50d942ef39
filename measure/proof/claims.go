package proof

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/chain/tomlfile"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// claimsSchema is the version of the claims file that this package reads.
const claimsSchema = 1

// Claims is a claims file: the declared properties of a device that is not a
// chain.
type Claims struct {
	Path        string
	Device      string
	Calibration *measure.Calibration // nil: none, and no claim in dBu
	Tests       []Test
	places      *tomlfile.Places // nil: not from a file
}

// Test is one [[test]] of a claims file: a stimulus and the claims about the
// response to it.
type Test struct {
	Stimulus  stimulus.Signal
	Claims    []Claim
	Line      int
	Requested instrument.Requested     // readings of the claims beyond the usual ones
	lines     map[string]int           // of the claims
	at        tomlfile.Span            // of the stimulus
	settings  map[string]tomlfile.Span // of the stimulus's settings
}

// ParseClaims reads the text of a claims file; name stands for it in errors.
func ParseClaims(name string, text []byte) (*Claims, error) {
	file, err := tomlfile.Read(name, "a claims file", text, "test")
	if err != nil {
		return nil, err
	}
	d := &claimsDecoder{file, &Claims{Path: name, places: file.Places}}
	d.top()
	return d.claims, file.Err()
}

// claimsDecoder turns the tree of a claims file into claims.
type claimsDecoder struct {
	*tomlfile.Document
	claims *Claims
}

func (d *claimsDecoder) top() {
	d.Schema(claimsSchema)
	for _, e := range d.Root.Entries {
		switch e.Key {
		case "schema":
		case "device":
			d.claims.Device = d.String(e)
		case "calibration":
			c, err := measure.ParseCalibration(d.String(e))
			if err != nil && e.Value.Kind == tomlfile.String {
				d.Report(e.Value.At, tomlfile.Problem{Key: e.Key, Found: err.Error()})
			}
			d.claims.Calibration = c
		case "test":
			d.Tables(e, func(t *tomlfile.Value) { d.claims.Tests = append(d.claims.Tests, d.test(t)) })
		default:
			d.Unknown(e, []string{"schema", "device", "calibration", "test"}, "")
		}
	}
	d.AtLeastOne("test", "a [[test]] table for each stimulus")
	if e := d.Root.Entry("test"); e != nil && len(d.claims.Tests) == len(e.Value.Items) {
		for i, t := range e.Value.Items {
			d.impossible(t, &d.claims.Tests[i])
		}
	}
}

// impossible reports claims about readings that no response to the test's stimulus gives,
// before a device has to run.
func (d *claimsDecoder) impossible(t *tomlfile.Value, test *Test) {
	if test.Stimulus == nil {
		return
	}
	families := slices.Concat(instrument.ReadingsFor(test.Stimulus), instrument.AlignmentReadings, instrument.RequestedReadings)
	for _, e := range t.Entries {
		if _, claimed := test.lines[e.Key]; !claimed || e.Key == "mask_excess_db" {
			continue
		}
		uncalibrated := calibratedUnit.ReplaceAllString(e.Key, "_dbfs$1")
		switch {
		case uncalibrated != e.Key && d.claims.Calibration == nil && !measure.IsReadingOf(e.Key, families...):
			d.Report(e.At, tomlfile.Problem{Key: e.Key, Found: "a level in volts, but no calibration", Hint: `add a line such as calibration = "0 dBFS = +16 dBu"`})
		case !measure.IsReadingOf(uncalibrated, families...):
			d.Report(e.At, tomlfile.Problem{Key: e.Key, Found: "a reading that no response to " + test.Stimulus.Kind() + " gives", Hint: elsewhere(uncalibrated, families)})
		}
	}
}

// elsewhere suggests the reading of the stimulus that was probably meant, or the
// stimulus that gives the named reading.
func elsewhere(reading string, families []string) string {
	var own []string
	for _, f := range families {
		own = append(own, measure.WrittenOut(f)...)
	}
	stimuli := instrument.StimuliOf(withoutChannel(reading))
	near := tomlfile.Nearest(reading, own)
	switch {
	case len(stimuli) > 0:
		return "it is a reading of the stimulus " + strings.Join(stimuli, ", or ")
	case near != "":
		return "did you mean " + near + "?"
	}
	return "no stimulus gives it: boothbench explain " + reading
}

func (d *claimsDecoder) test(t *tomlfile.Value) Test {
	test := Test{Line: d.LineOf(t.At.From), lines: map[string]int{}, settings: map[string]tomlfile.Span{}}
	for _, e := range t.Entries {
		if e.Key == "stimulus" {
			test.at = e.Value.At
			test.Stimulus = d.stimulus(e, test.settings)
		} else if c, ok := d.claim(e, &test.Requested); ok {
			test.Claims = append(test.Claims, c)
			test.lines[c.Reading] = d.LineOf(e.At.From)
		}
	}
	d.incomplete(t, &test)
	switch {
	case t.Entry("stimulus") == nil:
		d.Report(t.At, tomlfile.Problem{Key: "[[test]]", Found: "no stimulus", Accepted: `stimulus = { kind = "sweep" }, or another kind of boothbench tone`})
	case len(t.Entries) == 1:
		d.Report(t.At, tomlfile.Problem{Key: "[[test]]", Found: "no claim", Accepted: "a reading with its limit, such as thd_plus_noise_db = { max = -90 }"})
	}
	return test
}

// stimulus reads { kind = "sweep", peak_dbfs = -20 }: the kinds and settings of
// the signals that can be written to a file.
func (d *claimsDecoder) stimulus(e tomlfile.Entry, places map[string]tomlfile.Span) stimulus.Signal {
	const accepted = `{ kind = "sweep", peak_dbfs = -20 }: a kind of boothbench tone and its settings`
	if e.Value.Kind != tomlfile.Table {
		d.WrongType(e.Key, e.Value, accepted, "")
		return nil
	}
	kind := ""
	given := map[string]string{}
	for _, part := range e.Value.Entries {
		if part.Key == "kind" {
			kind = d.String(part)
		} else if k := part.Value.Kind; k != tomlfile.Integer && k != tomlfile.Float && k != tomlfile.Bool {
			d.WrongType(part.Key, part.Value, "a number, or true or false", "")
		} else {
			places[part.Key] = part.Value.At
			given[part.Key] = strings.ReplaceAll(part.Value.Raw, "_", "")
		}
	}
	k, known := stimulus.Named(kind)
	if !known {
		var names []string
		for _, k := range stimulus.Kinds() {
			names = append(names, k.Name())
		}
		p := tomlfile.Problem{Key: "stimulus", Found: "no kind " + tomlfile.Quote(kind), Accepted: strings.Join(names, ", ")}
		if near := tomlfile.Nearest(kind, names); near != "" {
			p.Hint = "did you mean " + near + "?"
		}
		d.Report(e.Value.At, p)
		return nil
	}
	signal, err := k.With(given)
	if err != nil {
		d.Report(e.Value.At, tomlfile.Problem{Key: "stimulus", Found: err.Error()})
		return nil
	}
	if len(instrument.For(signal)) == 0 {
		d.Report(e.Value.At, tomlfile.Problem{Key: "stimulus", Found: "no instrument reads a response to " + kind, Accepted: "a tone, sweep, multitone, impulse, silence or series"})
	}
	return signal
}

// possible is a *tomlfile.FileError that names every stimulus which cannot be made at
// a rate in Hz, nil if there is none.
func (c *Claims) possible(rate int) error {
	var problems []tomlfile.Problem
	for _, t := range c.Tests {
		_, err := t.Stimulus.Make(rate)
		if err == nil {
			continue
		}
		problem, at := tomlfile.Problem{Path: c.Path, Line: t.Line, Column: 1, Key: "stimulus", Found: err.Error()}, t.at
		if s := (*dsp.SettingError)(nil); errors.As(err, &s) {
			problem.Key, problem.Found, problem.Accepted = s.Setting, "found "+s.Found, s.Accepted
			if place, given := t.settings[s.Setting]; given {
				at = place
			}
		}
		if c.places != nil {
			problem = c.places.Point(at, problem)
		}
		problems = append(problems, problem)
	}
	return tomlfile.NewFileError(c.Path, problems)
}

// claim reads an entry such as thd_plus_noise_db = { max = -90, why = "data sheet" }.
func (d *claimsDecoder) claim(e tomlfile.Entry, asked *instrument.Requested) (Claim, bool) {
	if e.Key == "response_mask" {
		return d.mask(e, asked)
	}
	uncalibrated := calibratedUnit.ReplaceAllString(e.Key, "_dbfs$1")
	if _, known := measure.Explain(uncalibrated); !known {
		d.Unknown(e, measure.ReadingNames(), "a reading of the stimulus (boothbench explain --readings)")
		return Claim{}, false
	}
	others := []string{"why"}
	corner := withoutChannel(e.Key) == "corner_hz"
	if corner {
		others = append(others, "passband_hz")
	}
	b, ok := d.Bounds(e, others...)
	if !ok {
		return Claim{}, false
	}
	c := Claim{Limit: measure.Limit{Reading: e.Key, Min: b.Min, Max: b.Max}}
	if why := e.Value.Entry("why"); why != nil {
		c.Why = d.String(*why)
	}
	if hz, ok := instrument.FrequencyOfGain(e.Key); ok && !strings.HasPrefix(e.Key, "gain_at_1khz_db") { // which is always read
		asked.GainsAtHz = append(asked.GainsAtHz, hz)
	}
	if !corner {
		return c, true
	}
	asked.PassbandHz = 1000
	if pass := e.Value.Entry("passband_hz"); pass != nil {
		if asked.PassbandHz, ok = d.Number(*pass); !ok {
			return Claim{}, false
		}
	}
	at, both := c.Middle()
	if !both {
		if at = 0; c.Max != nil {
			at = *c.Max
		} else if c.Min != nil {
			at = *c.Min
		}
	}
	if !(asked.PassbandHz > 0) || !(at > 0) || at == asked.PassbandHz {
		d.Report(e.Value.At, tomlfile.Problem{Key: e.Key, Found: fmt.Sprintf("a corner at %g Hz with a pass band at %g Hz", at, asked.PassbandHz), Accepted: "two frequencies above 0, the corner beside the pass band; passband_hz is 1000 unless it is given"})
		return Claim{}, false
	}
	asked.Downwards = at < asked.PassbandHz
	return c, true
}

// mask reads response_mask = { points = [{ hz = 20, min = -1, max = 1 }, …], why = "…" }: a
// claim that mask_excess_db is at most 0.
func (d *claimsDecoder) mask(e tomlfile.Entry, asked *instrument.Requested) (Claim, bool) {
	const accepted = "{ points = [{ hz = 20, min = -1, max = 1 }, { hz = 20000, min = -1, max = 1 }] }, in dB against the gain at 1 kHz"
	if e.Value.Kind != tomlfile.Table {
		d.WrongType(e.Key, e.Value, accepted, "")
		return Claim{}, false
	}
	c := Claim{Limit: measure.AtMost("mask_excess_db", 0)}
	ok := true
	for _, part := range e.Value.Entries {
		switch part.Key {
		case "why":
			c.Why = d.String(part)
		case "points":
			if part.Value.Kind != tomlfile.Array {
				d.WrongType("response_mask.points", part.Value, accepted, "")
				return Claim{}, false
			}
			for _, item := range part.Value.Items {
				p, usable := d.maskPoint(item, accepted)
				asked.Mask, ok = append(asked.Mask, p), ok && usable
			}
		default:
			d.Unknown(part, []string{"points", "why"}, "")
			ok = false
		}
	}
	if !ok {
		return Claim{}, false
	}
	if err := asked.Mask.Check(); err != nil {
		d.Report(e.Value.At, tomlfile.Problem{Key: e.Key, Found: err.Error(), Accepted: accepted})
		return Claim{}, false
	}
	return c, true
}

func (d *claimsDecoder) maskPoint(item *tomlfile.Value, accepted string) (p instrument.MaskPoint, ok bool) {
	if item.Kind != tomlfile.Table {
		d.WrongType("response_mask.points", item, accepted, "")
		return p, false
	}
	p, ok = instrument.MaskPoint{MinDB: math.Inf(-1), MaxDB: math.Inf(1)}, true
	for _, part := range item.Entries {
		to := map[string]*float64{"hz": &p.Hz, "min": &p.MinDB, "max": &p.MaxDB}[part.Key]
		if to == nil {
			d.Unknown(part, []string{"hz", "min", "max"}, "")
			ok = false
			continue
		}
		v, usable := d.Number(tomlfile.Entry{Key: "response_mask." + part.Key, At: part.At, Value: part.Value})
		*to, ok = v, ok && usable
	}
	return p, ok
}

// incomplete reports claims that need another entry in their test.
func (d *claimsDecoder) incomplete(t *tomlfile.Value, test *Test) {
	a := test.Requested
	if test.Stimulus == nil || instrument.IsResponseSignal(test.Stimulus) {
		for _, c := range test.Claims {
			if withoutChannel(c.Reading) == "slope_db_per_octave" && c.Min != nil && *c.Min > 0 {
				d.Report(t.Entry(c.Reading).At, tomlfile.Problem{Key: c.Reading, Found: fmt.Sprintf("%g dB/octave and more: a rise", *c.Min), Accepted: "a slope below 0 for a response that falls away from its pass band, such as { target = -24, tolerance = 1 }"})
			}
		}
		for _, e := range t.Entries {
			if withoutChannel(e.Key) == "slope_db_per_octave" && a.PassbandHz == 0 {
				d.Report(e.At, tomlfile.Problem{Key: e.Key, Found: "no corner_hz in this test", Accepted: "corner_hz = { target = 80, tolerance = 5 } in the same test, which says on which side the slope is"})
			}
		}
		return
	}
	for _, e := range t.Entries {
		if _, gain := instrument.FrequencyOfGain(e.Key); gain || e.Key == "response_mask" || withoutChannel(e.Key) == "corner_hz" || withoutChannel(e.Key) == "slope_db_per_octave" {
			d.Report(e.At, tomlfile.Problem{Key: e.Key, Found: "a stimulus without a frequency response", Accepted: `stimulus = { kind = "sweep" } or { kind = "multitone" }`})
		}
	}
}

// calibratedUnit ends the names that levels in dBFS have with a calibration.
var calibratedUnit = regexp.MustCompile(`_dbu(_ch[0-9]+)?$`)

var channelSuffix = regexp.MustCompile(`_ch[0-9]+$`)

func withoutChannel(reading string) string { return channelSuffix.ReplaceAllString(reading, "") }
