package bench

import (
	"strings"

	"github.com/boothbench/boothbench/measure"
)

// judge holds the claims of the plan against the rows.
func (p *Plan) judge(rows []Row) (all []Judged) {
	for _, c := range p.Claims {
		found := false
		for _, r := range rows {
			if r.Reading != c.Limit.Reading && !strings.HasPrefix(r.Reading, c.Limit.Reading+"_ch") || c.Path != "" && c.Path != r.Path || c.Test != "" && c.Test != r.Test {
				continue
			}
			found = true
			limit := c.Limit
			limit.Reading = r.Reading
			j := measure.Judge(p.Device, 0, measure.Readings{{Name: r.Reading, Reading: r.Measured()}}, limit)
			all = append(all, Judged{r.Path, r.Condition, r.Test, j.Verdict.String(), j.Sentence(), c.Why})
		}
		if !found {
			all = append(all, Judged{c.Path, "", c.Test, measure.Undecided.String(), c.Limit.Reading + ": no recording gave this reading", c.Why})
		}
	}
	return all
}
