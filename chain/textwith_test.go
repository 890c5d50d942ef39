package chain

import (
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
)

// TestTextWith: numbers change, in the file's own text; everything else stays.
func TestTextWith(t *testing.T) {
	const head = "# mine\nschema = 1\n\n[[stage]]\nkind = \"limiter\" # the last one\n"
	for _, c := range []struct{ text, want string }{
		{head + "drive_db = 6 # found by ear\nceiling_dbtp = -1\n", head + "drive_db = 3.25 # found by ear\nceiling_dbtp = -2\n"},
		{head + "  drive_db=+6.0", head + "ceiling_dbtp = -2\n  drive_db=3.25"},
		{head, head + "ceiling_dbtp = -2\ndrive_db = 3.25\n"},
		{strings.TrimSuffix(head, "\n"), head + "ceiling_dbtp = -2\ndrive_db = 3.25"},
	} {
		parsed, err := Parse("x.toml", []byte(c.text))
		if err != nil {
			t.Fatal(err)
		}
		got := string(parsed.TextWith(0, map[string]float64{"drive_db": 3.25, "ceiling_dbtp": -2}))
		again, err := Parse("x.toml", []byte(got))
		if err != nil {
			t.Fatalf("%q: %v", got, err)
		}
		if l := again.Stages[0].Settings.(dsp.LimiterSettings); l.DriveDB != 3.25 || l.CeilingDBTP != -2 {
			t.Errorf("%q: %+v", got, l)
		}
		sorted := func(s string) string { // two new lines may stand either way round
			return strings.Replace(s, "drive_db = 3.25\nceiling_dbtp = -2", "ceiling_dbtp = -2\ndrive_db = 3.25", 1)
		}
		if sorted(got) != sorted(c.want) && got != c.want {
			t.Errorf("%q; want %q", got, c.want)
		}
	}
}
