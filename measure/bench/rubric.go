package bench

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/chain/tomlfile"
)

// Rubric is a user's file of grades: which value of a reading earns which grade, and why. None
// is built in.
type Rubric struct {
	Name   string // of the file
	Digest string // SHA-256 of its text
	Grades []Grading
}

// Grading grades one reading.
type Grading struct {
	Reading    string // without a channel: it covers all channels
	Path, Test string // "": every path, or test, that has the reading
	Why        string
	Steps      []GradeStep // from the best to the worst
}

// GradeStep is a grade and the values that earn it, inclusive.
type GradeStep struct {
	Grade    string
	Min, Max float64 // −Inf and +Inf where there is no bound
}

// LoadRubric reads a rubric file. A fault of its text is a *tomlfile.FileError.
func LoadRubric(name string) (*Rubric, error) {
	text, err := tomlfile.Load(name, "rubric file")
	if err != nil {
		return nil, err
	}
	return ReadRubric(name, text)
}

// ReadRubric reads the text of a rubric file. Name is the file's name in errors.
func ReadRubric(name string, text []byte) (*Rubric, error) {
	file, err := tomlfile.Read(name, "a rubric file", text, "grade")
	if err != nil {
		return nil, err
	}
	sum := sha256.Sum256(text)
	r := &Rubric{Name: name, Digest: hex.EncodeToString(sum[:])}
	file.Schema(Schema)
	for _, e := range file.Root.Entries {
		switch e.Key {
		case "schema":
		case "grade":
			file.Tables(e, func(v *tomlfile.Value) { r.Grades = append(r.Grades, r.grading(file, v)) })
		default:
			file.Unknown(e, []string{"schema", "grade"}, "")
		}
	}
	file.AtLeastOne("grade", "a [[grade]] table for each reading that is graded")
	return r, file.Err()
}

func (r *Rubric) grading(d *tomlfile.Document, v *tomlfile.Value) (g Grading) {
	for _, e := range v.Entries {
		switch e.Key {
		case "reading":
			if g.Reading = d.String(e); g.Reading != "" && !IsReading(g.Reading) {
				p := tomlfile.Problem{Key: e.Key, Found: "found " + tomlfile.Quote(g.Reading), Accepted: "a reading of a sheet; boothbench explain --readings lists them"}
				if near := tomlfile.Nearest(g.Reading, Readings()); near != "" {
					p.Hint = "did you mean " + near + "?"
				}
				d.Report(e.Value.At, p)
			}
		case "path":
			g.Path = d.String(e)
		case "test":
			g.Test = d.String(e)
		case "why":
			g.Why = d.String(e)
		case "steps":
			g.Steps = gradeSteps(d, e)
		default:
			d.Unknown(e, []string{"reading", "path", "test", "why", "steps"}, "")
		}
	}
	for _, must := range []struct{ key, accepted string }{
		{"reading", `reading = "dynamic_range_a_db", or another that the sheets have`},
		{"why", `why = "…", the reason for the grades`},
		{"steps", `steps = [{ grade = "A", min = 110 }, { grade = "B", min = 100 }, { grade = "C" }]`},
	} {
		if v.Entry(must.key) == nil {
			d.Report(v.At, tomlfile.Problem{Key: must.key, Found: "missing", Accepted: must.accepted})
		}
	}
	for _, before := range r.Grades {
		if reading, _, _ := strings.Cut(g.Reading, "_ch"); g.Reading != "" && (before.Reading == g.Reading || before.Reading == reading) && (before.Path == "" || before.Path == g.Path) && (before.Test == "" || before.Test == g.Test) {
			d.Report(v.Entry("reading").Value.At, tomlfile.Problem{Key: "reading", Found: "a [[grade]] above grades this reading of every such path and test", Accepted: "one grade for each reading; a [[grade]] with a path or a test comes before one without"})
		}
	}
	return g
}

// gradeSteps returns the steps of a reading, from the best to the worst. Only the last may be
// without bounds: it covers all other values.
func gradeSteps(d *tomlfile.Document, e tomlfile.Entry) (all []GradeStep) {
	if e.Value.Kind != tomlfile.Array || len(e.Value.Items) == 0 {
		d.WrongType(e.Key, e.Value, `a list such as [{ grade = "A", min = 110 }, { grade = "B" }], from the best to the worst`, "")
		return nil
	}
	for i, item := range e.Value.Items {
		step := GradeStep{"", math.Inf(-1), math.Inf(1)}
		bounded := false
		for _, part := range item.Entries {
			switch part.Key {
			case "grade":
				step.Grade = d.String(part)
			case "min":
				step.Min, bounded = numberOr(d, part, step.Min), true
			case "max":
				step.Max, bounded = numberOr(d, part, step.Max), true
			default:
				d.Unknown(part, []string{"grade", "min", "max"}, "")
			}
		}
		switch {
		case step.Grade == "":
			d.Report(item.At, tomlfile.Problem{Key: e.Key, Found: "a step without a grade", Accepted: `{ grade = "A", min = 110 }`})
		case !bounded && i < len(e.Value.Items)-1:
			d.Report(item.At, tomlfile.Problem{Key: e.Key, Found: "no min and no max before the last step", Accepted: "a bound for every step but the last, which takes what is left"})
		case step.Min > step.Max:
			d.Report(item.At, tomlfile.Problem{Key: e.Key, Found: fmt.Sprintf("min %g is above max %g: nothing lies between", step.Min, step.Max)})
		case covered(all, step.Min, step.Max):
			d.Report(item.At, tomlfile.Problem{Key: e.Key, Found: fmt.Sprintf("nothing is left for grade %s: the steps before it take all of its values", step.Grade), Accepted: "steps from the best to the worst, such as min = 110 before min = 100, or max = -100 before max = -80"})
		}
		all = append(all, step)
	}
	return all
}

func numberOr(d *tomlfile.Document, e tomlfile.Entry, otherwise float64) float64 {
	if v, ok := d.Number(e); ok {
		return v
	}
	return otherwise
}

// String describes the grading in one line.
func (g Grading) String() string {
	var steps []string
	for _, s := range g.Steps {
		switch {
		case math.IsInf(s.Min, -1) && math.IsInf(s.Max, 1):
			steps = append(steps, s.Grade+" otherwise")
		case math.IsInf(s.Min, -1):
			steps = append(steps, fmt.Sprintf("%s up to %g", s.Grade, s.Max))
		case math.IsInf(s.Max, 1):
			steps = append(steps, fmt.Sprintf("%s from %g", s.Grade, s.Min))
		default:
			steps = append(steps, fmt.Sprintf("%s from %g to %g", s.Grade, s.Min, s.Max))
		}
	}
	return fmt.Sprintf("%s: %s; why: %s", g.Reading, strings.Join(steps, ", "), g.Why)
}

// Of returns the grade of a row. It returns "" if the rubric does not grade the row, and
// several grades if the row's uncertainty allows them.
func (r *Rubric) Of(row *Row) string {
	if r == nil || row == nil || row.Value == nil {
		return ""
	}
	if row.Assumes != "" || row.Contradicted != "" {
		return "undecided"
	}
	for _, g := range r.Grades {
		reading, _, _ := strings.Cut(row.Reading, "_ch")
		if g.Reading != row.Reading && g.Reading != reading || g.Path != "" && g.Path != row.Path || g.Test != "" && g.Test != row.Test {
			continue
		}
		low, high := *row.Value-row.Uncertainty, *row.Value+row.Uncertainty
		if row.AtMost {
			low, high = math.Inf(-1), *row.Value
		}
		var grades []string
		for i, s := range g.Steps {
			// A value earns the best grade whose step contains it.
			taken := slices.ContainsFunc(g.Steps[:i], func(b GradeStep) bool { return b.Min <= low && high <= b.Max })
			if !taken && s.Min <= high && low <= s.Max && !covered(g.Steps[:i], max(low, s.Min), min(high, s.Max)) {
				grades = append(grades, s.Grade)
			}
		}
		if len(grades) == 0 {
			return "no grade"
		}
		return strings.Join(grades, " or ")
	}
	return ""
}

// covered reports whether better steps together contain all values from low to high.
func covered(better []GradeStep, low, high float64) bool {
	better = slices.Clone(better)
	slices.SortFunc(better, func(a, b GradeStep) int { return cmp.Compare(a.Min, b.Min) })
	taken := false // the values from the original low up to low are covered
	for _, b := range better {
		if b.Min <= low && low <= b.Max {
			low, taken = b.Max, true
		}
	}
	return taken && high <= low
}
