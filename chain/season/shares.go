package season

import (
	"cmp"
	"slices"
)

// fixedBytes is a take's fixed cost, as bytes of sound that take as long: opening,
// metering and publishing it.
const fixedBytes = 300_000

// Share is the share number k of n, from 1, of the plan's takes: the longest first, each
// to the share with the least work so far, so that shares take equally long. It depends
// on nothing but the plan.
func (p *Plan) Share(k, n int) []Take {
	order := slices.Clone(p.Takes)
	slices.SortStableFunc(order, func(a, b Take) int { return cmp.Compare(b.Bytes, a.Bytes) })
	work := make([]int64, n)
	var mine []Take
	for _, t := range order {
		least := 0
		for i, w := range work {
			if w < work[least] {
				least = i
			}
		}
		work[least] += t.Bytes + fixedBytes
		if least == k-1 {
			mine = append(mine, t)
		}
	}
	return mine
}
