package season

import (
	"cmp"
	"slices"
)

// fixedBytes is the fixed cost of a take (opening, metering and publishing it), as the bytes of
// sound whose processing takes as long.
const fixedBytes = 300_000

// Share returns share k of n, counted from 1, of the plan's takes. It assigns the longest take
// first, each to the share with the least work so far, so that shares take equally long. The
// takes of a conversation stay together. The result depends on the plan alone.
func (p *Plan) Share(k, n int) (mine []Take) {
	for _, unit := range p.units(k, n) {
		mine = append(mine, unit...)
	}
	return mine
}

// units returns the takes of a share in its order, grouped by conversation.
func (p *Plan) units(k, n int) (mine [][]Take) {
	var order [][]Take
	together := map[int]int{} // index of each conversation in order
	for _, t := range p.Takes {
		c := p.conversationOf(t)
		if at, there := together[c]; there && c >= 0 {
			order[at] = append(order[at], t)
			continue
		}
		together[c] = len(order)
		order = append(order, []Take{t})
	}
	bytes := func(unit []Take) (sum int64) {
		for _, t := range unit {
			sum += t.Bytes + fixedBytes
		}
		return sum
	}
	for _, unit := range order {
		if c := p.conversationOf(unit[0]); c >= 0 {
			takes := p.Conversations[c].Takes
			slices.SortFunc(unit, func(a, b Take) int {
				return slices.Index(takes, a.Output) - slices.Index(takes, b.Output)
			})
		}
	}
	slices.SortStableFunc(order, func(a, b []Take) int { return cmp.Compare(bytes(b), bytes(a)) })
	work := make([]int64, n)
	for _, unit := range order {
		least := 0
		for i, w := range work {
			if w < work[least] {
				least = i
			}
		}
		work[least] += bytes(unit)
		if least == k-1 {
			mine = append(mine, unit)
		}
	}
	return mine
}
