package tune

import (
	"strings"
	"testing"
)

// A proposed chain keeps the comments of the original chain, whether its compressor gets other
// numbers or a new compressor is inserted ahead of the limiter and its comment.
func TestProposalKeepsComments(t *testing.T) {
	for _, text := range []string{
		"# the narrator\nschema = 1\n\n[[stage]] # first\nkind = \"highpass\"\n\n# peaks end here\n[[stage]]\nkind = \"limiter\" # last\n",
		"# the narrator\nschema = 1\n[[stage]]\nkind = \"compressor\"\n# found by ear\nthreshold_dbfs = -20\n\n# peaks end here\n[[stage]]\nkind = \"limiter\"\n",
		"# the narrator\nschema = 1\n[[stage]]\nkind = \"highpass\" # no limiter",
	} {
		c := parsed(t, text)
		changed, stage := withCompression(split(c), -31, 3)
		p := &Proposal{Chain: changed, Stage: changed.Stages[stage].Name, ThresholdDBFS: -31, Ratio: 3, before: c, index: stage}
		got, err := p.ChainText()
		if err != nil {
			t.Fatal(err)
		}
		if again := parsed(t, string(got)); !sameSettings(again, changed) {
			t.Errorf("other settings:\n%s", got)
		}
		at := -1
		for _, line := range strings.Split(text, "\n") {
			if _, comment, ok := strings.Cut(line, "#"); ok {
				if next := strings.Index(string(got), "#"+comment); next <= at {
					t.Errorf("%q is lost or moved:\n%s", comment, got)
				} else {
					at = next
				}
			}
		}
		if i := strings.Index(string(got), "peaks end here"); i >= 0 && i < strings.Index(string(got), "threshold_dbfs = -31") {
			t.Errorf("the compressor comes between the limiter and its comment:\n%s", got)
		}
	}
}
