package season

import (
	"cmp"
	"slices"
)

// fixedBytes is a take's fixed cost, as bytes of sound that take as long: opening,
// metering and publishing it.
const fixedBytes = 300_000

// Share is the share number k of n, from 1, of the plan's takes: the longest first, each
// to the share with the least work so far, so that shares take equally long. The takes of
// a conversation stay together. It depends on nothing but the plan.
func (p *Plan) Share(k, n int) (mine []Take) {
	for _, unit := range p.units(k, n) {
		mine = append(mine, unit...)
	}
	return mine
}

// units are the takes of a share, those of a conversation together, in its order.
func (p *Plan) units(k, n int) (mine [][]Take) {
	var order [][]Take
	together := map[int]int{} // where a conversation is in the order
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
