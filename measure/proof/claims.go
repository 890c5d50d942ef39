package proof

import (
	"errors"
	"strings"

	"github.com/boothbench/boothbench/chain/document"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// ClaimsSchema is the version of the claims file that this package reads.
const ClaimsSchema = 1

// Claims is a claims file: what is declared of a device that is not a chain.
type Claims struct {
	Path        string
	Device      string
	Calibration *measure.Calibration // nil: none, and no claim in dBu
	Tests       []Test
	places      *document.Places // nil: not from a file
}

// Test is one [[test]] of a claims file: a stimulus and what is claimed of the
// response to it.
type Test struct {
	Stimulus stimulus.Signal
	Claims   []Claim
	Line     int
	lines    map[string]int           // of the claims
	at       document.Span            // of the stimulus
	settings map[string]document.Span // of the stimulus's settings
}

// LoadClaims reads a claims file. What is wrong with its text is a
// *document.FileError; that it cannot be read, the error of package os.
func LoadClaims(name string) (*Claims, error) {
	text, err := document.Load(name, "claims file")
	if err != nil {
		return nil, err
	}
	return ParseClaims(name, text)
}

// ParseClaims reads the text of a claims file; name stands for it in errors.
func ParseClaims(name string, text []byte) (*Claims, error) {
	file, err := document.Read(name, "a claims file", text, "test")
	if err != nil {
		return nil, err
	}
	d := &claimsDecoder{file, &Claims{Path: name, places: file.Places}}
	d.top()
	return d.claims, file.Err()
}

// claimsDecoder turns the tree of a claims file into claims.
type claimsDecoder struct {
	*document.Document
	claims *Claims
}

func (d *claimsDecoder) top() {
	d.Schema(ClaimsSchema)
	for _, e := range d.Root.Entries {
		switch e.Key {
		case "schema":
		case "device":
			d.claims.Device = d.String(e)
		case "calibration":
			c, err := measure.ParseCalibration(d.String(e))
			if err != nil && e.Value.Kind == document.String {
				d.Report(e.Value.At, document.Problem{Key: e.Key, Found: err.Error()})
			}
			d.claims.Calibration = c
		case "test":
			d.Tables(e, func(t *document.Value) { d.claims.Tests = append(d.claims.Tests, d.test(t)) })
		default:
			d.Unknown(e, []string{"schema", "device", "calibration", "test"}, "")
		}
	}
	d.AtLeastOne("test", "a [[test]] table for each stimulus")
}

func (d *claimsDecoder) test(t *document.Value) Test {
	test := Test{Line: d.LineOf(t.At.From), lines: map[string]int{}, settings: map[string]document.Span{}}
	for _, e := range t.Entries {
		if e.Key == "stimulus" {
			test.at = e.Value.At
			test.Stimulus = d.stimulus(e, test.settings)
		} else if c, ok := d.claim(e); ok {
			test.Claims = append(test.Claims, c)
			test.lines[e.Key] = d.LineOf(e.At.From)
		}
	}
	switch {
	case t.Entry("stimulus") == nil:
		d.Report(t.At, document.Problem{Key: "[[test]]", Found: "no stimulus", Accepted: `stimulus = { kind = "sweep" }, or another kind of boothbench tone`})
	case len(t.Entries) == 1:
		d.Report(t.At, document.Problem{Key: "[[test]]", Found: "no claim", Accepted: "a reading with its limit, such as thd_plus_noise_db = { max = -90 }"})
	}
	return test
}

// stimulus reads { kind = "sweep", peak_dbfs = -20 }: the kinds and settings of
// the signals that can be written to a file.
func (d *claimsDecoder) stimulus(e document.Entry, places map[string]document.Span) stimulus.Signal {
	const accepted = `{ kind = "sweep", peak_dbfs = -20 }: a kind of boothbench tone and its settings`
	if e.Value.Kind != document.Table {
		d.WrongType(e.Key, e.Value, accepted, "")
		return nil
	}
	kind := ""
	given := map[string]string{}
	for _, part := range e.Value.Entries {
		if part.Key == "kind" {
			kind = d.String(part)
		} else if k := part.Value.Kind; k != document.Integer && k != document.Float && k != document.Bool {
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
		p := document.Problem{Key: "stimulus", Found: "no kind " + document.Quote(kind), Accepted: strings.Join(names, ", ")}
		if near := document.Nearest(kind, names); near != "" {
			p.Hint = "did you mean " + near + "?"
		}
		d.Report(e.Value.At, p)
		return nil
	}
	signal, err := k.With(given)
	if err != nil {
		d.Report(e.Value.At, document.Problem{Key: "stimulus", Found: err.Error()})
		return nil
	}
	if len(instrument.For(signal)) == 0 {
		d.Report(e.Value.At, document.Problem{Key: "stimulus", Found: "no instrument reads a response to " + kind, Accepted: "a tone, sweep, multitone, impulse, silence or series"})
	}
	return signal
}

// Possible is a *document.FileError that names every stimulus which cannot be made at
// a rate in Hz, nil if there is none.
func (c *Claims) Possible(rate int) error {
	var problems []document.Problem
	for _, t := range c.Tests {
		_, err := t.Stimulus.Make(rate)
		if err == nil {
			continue
		}
		problem, at := document.Problem{Path: c.Path, Line: t.Line, Column: 1, Key: "stimulus", Found: err.Error()}, t.at
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
	return document.NewFileError(c.Path, problems)
}

// claim reads an entry such as thd_plus_noise_db = { max = -90, why = "data sheet" }.
func (d *claimsDecoder) claim(e document.Entry) (Claim, bool) {
	b, ok := d.Bounds(e, "why")
	if !ok {
		return Claim{}, false
	}
	c := Claim{Limit: measure.Limit{Reading: e.Key, Min: b.Min, Max: b.Max}}
	if why := e.Value.Entry("why"); why != nil {
		c.Why = d.String(*why)
	}
	return c, true
}
