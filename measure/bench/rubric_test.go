package bench

import (
	"math"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/chain/tomlfile"
)

const rubricText = `schema = 1
[[grade]]
reading = "dynamic_range_a_db"
why = "what our readers can use"
steps = [{ grade = "A", min = 110 }, { grade = "B", min = 100 }, { grade = "C" }]
[[grade]]
reading = "idle_noise_a_dbfs"
test = "idle-noise"
why = "a quiet room behind a voice"
steps = [{ grade = "fine", max = -100 }, { grade = "usable", max = -80 }]
`

// A grade is that of the value. Where the uncertainty reaches over the end of a step, both
// grades are stated. For an upper bound, every grade that a lower value would earn is stated.
func TestGrades(t *testing.T) {
	r, err := ReadRubric("rubric.toml", []byte(rubricText))
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		reading, test string
		value, off    float64
		atMost        bool
		want          string
	}{
		{"dynamic_range_a_db", "dynamic-range", 112, 0.5, false, "A"},
		{"dynamic_range_a_db_ch2", "dynamic-range", 112, 0.5, false, "A"},
		{"dynamic_range_a_db", "dynamic-range", 110.2, 0.5, false, "A or B"},
		{"dynamic_range_a_db", "dynamic-range", 105, 0.5, false, "B"},
		{"dynamic_range_a_db", "dynamic-range", 60, 0.5, false, "C"},
		{"idle_noise_a_dbfs", "idle-noise", -110, 0.1, false, "fine"},
		{"idle_noise_a_dbfs", "idle-noise", -90, 0.1, true, "fine or usable"},
		{"idle_noise_a_dbfs", "idle-noise", -120, 0.1, true, "fine"},
		{"idle_noise_a_dbfs", "idle-noise", -60, 0.1, false, "no grade"},
		{"idle_noise_a_dbfs", "another", -60, 0.1, false, ""},
		{"thd_total_db", "distortion", -60, 0.1, false, ""},
	} {
		row := Row{Reading: tt.reading, Test: tt.test, Value: &tt.value, Uncertainty: tt.off, AtMost: tt.atMost}
		if got := r.Of(&row); got != tt.want {
			t.Errorf("%s of %s is %g: grade %q, want %q", tt.reading, tt.test, tt.value, got, tt.want)
		}
	}
	if got := (*Rubric)(nil).Of(&Row{Value: new(float64)}); got != "" {
		t.Errorf("without a rubric: %q", got)
	}
	if !math.IsInf(r.Grades[0].Steps[2].Min, -1) {
		t.Errorf("steps %v", r.Grades[0].Steps)
	}
}

func TestRubricFaults(t *testing.T) {
	for found, edit := range map[string][2]string{
		"why":                              {`why = "what our readers can use"` + "\n", ""},
		"did you mean reading?":            {`reading = "dyn`, `readin = "dyn`},
		"before the last step":             {`"A", min = 110`, `"A"`},
		"without a grade":                  {`grade = "C"`, `max = 3`},
		"did you mean dynamic_range_a_db?": {"dynamic_range_a_db", "dynamic_rang_a_db"},
		"nothing is left for grade B":      {"min = 100", "min = 120"},
		"nothing is left for grade usable": {"max = -80", "max = -120"},
		"nothing is left for grade C":      {`{ grade = "B", min = 100 }`, `{ grade = "B", max = 120 }`},
		"a [[grade]] above grades":         {"idle_noise_a_dbfs", "dynamic_range_a_db_ch2"},
		"nothing lies between":             {`max = -100`, `min = 3, max = -100`},
	} {
		_, err := ReadRubric("rubric.toml", []byte(strings.Replace(rubricText, edit[0], edit[1], 1)))
		if fault, is := err.(*tomlfile.FileError); !is || !strings.Contains(err.Error(), found) || fault.Problems[0].Line == 0 {
			t.Errorf("%q: %v", found, err)
		}
	}
	// A grade for one test precedes that for all other tests of its reading.
	specific := strings.Replace(rubricText, "idle_noise_a_dbfs", "noise_dbfs", 1)
	if _, err := ReadRubric("rubric.toml", []byte(specific+"[[grade]]\nreading = \"noise_dbfs\"\nwhy = \"rest\"\nsteps = [{ grade = \"A\", max = -60 }]\n")); err != nil {
		t.Error(err)
	}
}
