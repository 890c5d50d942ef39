package bench

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
)

// SheetSchema is the version of the sheet.
const SheetSchema = 1

// Sheet holds everything that a bench has measured of a device, to be kept and compared.
type Sheet struct {
	SchemaVersion int      `json:"schema_version"`
	Kind          string   `json:"kind"` // "bench sheet"
	Device        string   `json:"device"`
	Plan          string   `json:"plan"`
	PlanSHA256    string   `json:"plan_sha256"`
	Rows          []Row    `json:"rows"`
	Curves        []Curve  `json:"curves"`
	Claims        []Judged `json:"claims,omitempty"`
	Missing       []Lack   `json:"missing"`
	Void          []Lack   `json:"void"`
	Findings      []Lack   `json:"findings"`
}

// Row is one reading under one condition.
type Row struct {
	Path      string   `json:"path"`
	Condition string   `json:"condition"`
	Test      string   `json:"test"`
	Stimulus  string   `json:"stimulus,omitempty"`
	Reading   string   `json:"reading"`
	Value     *float64 `json:"value"` // median of the repeats
	Reason    string   `json:"reason,omitempty"`
	Unit      string   `json:"unit"`
	Reference string   `json:"reference,omitempty"`
	Weighting string   `json:"weighting,omitempty"`
	Bandwidth string   `json:"bandwidth,omitempty"`
	Def       string   `json:"definition,omitempty"`
	Bound     string   `json:"bound,omitempty"`
	AtMost    bool     `json:"at_most,omitempty"` // the value is noise: an upper bound
	// Assumes states an assumption of the value that was not measured, such as the plan's gain.
	// The uncertainty does not include its error.
	Assumes string `json:"assumes,omitempty"`
	// Contradicted is the sentence of the finding by which the value is not the device's; ""
	// without one.
	Contradicted string `json:"contradicted,omitempty"`
	// Uncertainty is the largest error of the value expected, either way, in its unit.
	Uncertainty float64    `json:"uncertainty"`
	Values      []*float64 `json:"values"`           // of the repeats, null where there is none
	Spread      *float64   `json:"spread,omitempty"` // largest value less least
	Recordings  []string   `json:"recordings_sha256"`

	of *Item // the measured stimulus; nil in a sheet that was loaded
}

// Judged is the verdict on one claim of the plan for one reading.
type Judged struct {
	Path      string `json:"path"`
	Condition string `json:"condition"`
	Test      string `json:"test"`
	Verdict   string `json:"verdict"`
	Sentence  string `json:"sentence"`
	Why       string `json:"why,omitempty"`
}

// Lack is something missing or wrong, and what to do about it.
type Lack struct {
	Of   string `json:"of"`
	What string `json:"what"`
	Do   string `json:"do,omitempty"`
	Path string `json:"path,omitempty"` // of the plan; "": unknown
}

// Summary counts the contents of a sheet, and what is missing.
func (s *Sheet) Summary() string {
	values, conditions := 0, map[string]bool{}
	for _, r := range s.Rows {
		if r.Value != nil {
			values++
		}
		conditions[r.Path+", "+r.Condition] = true
	}
	verdicts := map[string]int{}
	for _, c := range s.Claims {
		verdicts[c.Verdict]++
	}
	text := fmt.Sprintf("%s: %s under %s, %d without a value; %s missing, %d void, %s", s.Device, dsp.Plural(values, "reading"), dsp.Plural(len(conditions), "condition"),
		len(s.Rows)-values, dsp.Plural(len(s.Missing), "recording"), len(s.Void), dsp.Plural(len(s.Findings), "finding"))
	if len(s.Claims) > 0 {
		text += fmt.Sprintf("; %s: %d passed, %d failed, %d undecided", dsp.Plural(len(s.Claims), "claim"), verdicts[measure.Pass.String()], verdicts[measure.Fail.String()], verdicts[measure.Undecided.String()])
	}
	return text
}

// NotMeasured lists the readings without a value, one line for each reason.
func (s *Sheet) NotMeasured() (lines []string) {
	type group struct {
		names []string // without their channels
		rows  int
		first Row
	}
	var order []string
	groups := map[string]*group{}
	for _, r := range s.Rows {
		if r.Value != nil {
			continue
		}
		g := groups[r.Reason]
		if g == nil {
			g = &group{first: r}
			groups[r.Reason], order = g, append(order, r.Reason)
		}
		g.rows++
		if name := strings.TrimSuffix(r.Reading, channelSuffix(r.Reading)); !slices.Contains(g.names, name) {
			g.names = append(g.names, name)
		}
	}
	for _, reason := range order {
		g, more := groups[reason], ""
		if g.rows > 1 {
			more = fmt.Sprintf(", and %d more", g.rows-1)
		}
		names := strings.Join(g.names[:min(3, len(g.names))], ", ")
		if len(g.names) > 3 {
			names += fmt.Sprintf(" and %s", dsp.Plural(len(g.names)-3, "other reading"))
		}
		lines = append(lines, fmt.Sprintf("%s (%s, %s, %s%s): %s", names, g.first.Path, g.first.Condition, g.first.Test, more, reason))
	}
	return lines
}

// Measured returns the row as a reading.
func (r Row) Measured() measure.Reading {
	m := measure.Reading{Reason: r.Reason, Unit: r.Unit, Reference: r.Reference, Weighting: r.Weighting, Bandwidth: r.Bandwidth, Definition: r.Def, Bound: r.Bound, Frame: -1, Channel: -1}
	if r.Value != nil {
		m.Value = *r.Value
	}
	return m
}

// Shown returns the row as a reading, rounded to the digits that the uncertainty leaves: at
// ±0.02 dB, a value near 0 keeps its third decimal.
func (r Row) Shown() measure.Reading {
	m := r.Measured()
	if r.Value != nil && math.Abs(m.Value) < r.Uncertainty {
		step := math.Pow(10, math.Floor(math.Log10(r.Uncertainty))-1)
		m.Value = math.Round(m.Value/step) * step
	}
	return m
}

// Text returns the row's value with its unit, with "at most" before an upper bound, and with
// the uncertainty where it is known.
func (r Row) Text() string {
	text := r.Shown().String()
	switch {
	case r.Value == nil:
	case r.AtMost:
		text = "at most " + text
	case r.Uncertainty > 0:
		text += fmt.Sprintf(" ±%.2g", r.Uncertainty)
	}
	return text
}

// String returns Text with the row's assumption and the spread of the repeats.
func (r Row) String() string {
	text := r.Text()
	if r.Assumes != "" {
		text += " with " + r.Assumes + ", which was not measured"
	}
	if r.Contradicted != "" {
		text += "; but " + r.Contradicted
	}
	if r.Spread != nil && len(r.Values) > 1 {
		text += fmt.Sprintf(" (%d repeats, spread %.2g)", len(r.Values), *r.Spread)
	}
	return text
}

// rowOf returns the row of a reading. Row and reading have the same names in JSON, which fills
// the fields they share.
func rowOf(item Item, n measure.Named) Row {
	row := Row{Path: item.Path.Name, Condition: item.Setting(), Test: item.Test, Reading: n.Name, of: &item}
	text, err := n.MarshalJSON()
	if err == nil {
		err = json.Unmarshal(text, &row)
	}
	if err != nil {
		panic(err) // a reading holds strings and finite numbers
	}
	return row
}

// LoadSheet reads a sheet that package bench has written.
func LoadSheet(name string) (*Sheet, error) {
	text, err := os.ReadFile(name)
	if err != nil {
		return nil, err
	}
	var s Sheet
	if err := json.Unmarshal(text, &s); err != nil {
		return nil, fmt.Errorf("%s: %v; accepted: a sheet as boothbench bench wrote it", name, err)
	}
	if s.Kind != sheetKind || s.SchemaVersion != SheetSchema {
		return nil, fmt.Errorf("%s: found kind %q, schema %d; accepted: %q, schema %d", name, s.Kind, s.SchemaVersion, sheetKind, SheetSchema)
	}
	return &s, nil
}

const sheetKind = "bench sheet"
