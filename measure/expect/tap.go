package expect

import (
	"fmt"
	"io"
	"strings"

	"github.com/boothbench/boothbench/measure"
)

// WriteTAP writes results in the Test Anything Protocol, version 13, one test
// per limit, with the reasons of failures as diagnostics.
func WriteTAP(w io.Writer, results []measure.Judgement) error {
	results = atLeastOne(results)
	var b strings.Builder
	fmt.Fprintf(&b, "TAP version 13\n1..%d\n", len(results))
	for i, r := range results {
		ok := "ok"
		if r.Verdict != measure.Pass {
			ok = "not ok"
		}
		// A # begins a directive in TAP, so a description must not contain one.
		description := strings.NewReplacer("#", "", "\n", " ").Replace(r.Subject + " " + r.Reading + " " + r.Limit.String())
		fmt.Fprintf(&b, "%s %d - %s\n", ok, i+1, description)
		if r.Verdict != measure.Pass {
			fmt.Fprintf(&b, "# %s\n", strings.ReplaceAll(r.Sentence(), "\n", "\n# "))
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}
