package take

// The noise of a take is looked at in pieces of 15 s, every 7.5 s. Where the floor of
// pieces lies more than 3 dB over that of the take for 30 s together, there is a second
// one: something was switched on, or a window opened. A car that passes is none.
// (own choice)
const (
	pieceFrames, pieceHop = 15000 / hopMs, 7500 / hopMs
	secondFloorDB         = 3
	leastFloorPieces      = 3 // 15 s, and twice 7.5 s
	secondFloorSeconds    = (pieceFrames + (leastFloorPieces-1)*pieceHop) * hopMs / 1000
)

// secondFloor finds the pauses of a second, higher floor of a channel.
func (l *frameLevels) secondFloor(p *pauses, counts *levelCounts) (*pauses, bool) {
	n := l.pause[p.channel].n
	first, pieces := -1, 0
	var best *pauses
	end := func() {
		if pieces >= leastFloorPieces && best == nil {
			from, to := l.floorTimes(p, first, first+(pieces-1)*pieceHop+pieceFrames)
			if q, ok := l.findPauses(p.channel, from, to, counts); ok && q.levelDB > p.levelDB+secondFloorDB {
				best = q
			}
		}
		first, pieces = -1, 0
	}
	for from := 0; from+pieceFrames <= n; from += pieceHop {
		counts.clear()
		for i := from; i < from+pieceFrames; i++ {
			if l.live(p.channel, i) {
				counts.add(l.pause[p.channel].at(i))
			}
		}
		if mode, ok := counts.lowestMode(); !ok || float64(mode)/100 <= p.levelDB+secondFloorDB {
			end()
			continue
		}
		if pieces++; pieces == 1 {
			first = from
		}
	}
	end()
	return best, best != nil
}

// floorTimes widens a stretch up to the next pauses of the lower floor, a piece at most
// on either side.
func (l *frameLevels) floorTimes(p *pauses, from, to int) (int, int) {
	for least := max(0, from-pieceFrames); from > least && !p.has(from-1); from-- {
	}
	for most := min(l.pause[p.channel].n, to+pieceFrames); to < most && !p.has(to); to++ {
	}
	return from, to
}
