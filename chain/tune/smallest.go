package tune

import "math"

// Bounds of the search for a gain.
const (
	mostDriveDB = 60 // of a limiter, or a gain stage

	walkDB      = 0.5    // upward step that may pass over a solution
	patience    = 6      // after this many steps, steps are at least walkDB
	closeLU     = 0.002  // accuracy of the search in the forecast loudness, a tenth of okLU
	narrowDB    = 0.0005 // a bracket this narrow is a jump of the loudness
	gainPerDB   = 10000  // gains are whole multiples of 0.0001 dB, which keeps them readable
	searchSteps = 200
)

// point is a gain and the loudness at it.
type point struct{ gainDB, lufs float64 }

// smallest finds the smallest gain whose loudness meets a target, starting from a gain that
// does not exceed it. The loudness rises by no more than the gain, except for small jumps where
// a block begins to count. So a step by the missing loudness passes over no gain that meets the
// target, and a step by four times that, or by walkDB, over few. Where the loudness jumps past
// the target, low and high are the two sides of the jump.
//
// met is false where no gain up to most meets the target.
func smallest(loudness func(gainDB float64) (float64, bool), target, from, most float64) (best, low, high point, met bool) {
	at := func(g float64) point {
		g = math.Round(g*gainPerDB) / gainPerDB
		v, ok := loudness(g)
		if !ok {
			v = math.Inf(-1)
		}
		return point{g, v}
	}
	p := at(max(-mostDriveDB, min(from, most)))
	for i := 0; p.lufs >= target+closeLU && p.gainDB > -mostDriveDB && i < searchSteps; i++ {
		p = at(max(-mostDriveDB, p.gainDB-max(p.lufs-target, narrowDB)-float64(i)*walkDB))
	}
	low = p
	before := p
	for i := 0; p.lufs < target-closeLU; i++ {
		if p.gainDB >= most {
			return p, low, p, false
		}
		missing := target - p.lufs // no gain within this distance meets it
		step := missing
		if i > 0 {
			step = max(missing, min(max(4*missing, walkDB), towards(before, p, target, target-from)-p.gainDB))
		}
		if i >= patience {
			step = max(step, walkDB)
		}
		before, low = p, p
		p = at(min(most, p.gainDB+max(narrowDB, min(20, step))))
	}
	high = p
	for i := 0; i < searchSteps && high.lufs > target+closeLU && high.gainDB-low.gainDB > narrowDB; i++ {
		g := (low.gainDB + high.gainDB) / 2
		// Every fourth step halves the bracket, since jumps of the loudness would slow the
		// secant down.
		if next := towards(before, p, target, target-from); i%4 != 3 && next-next == 0 {
			width := high.gainDB - low.gainDB
			g = max(low.gainDB+0.02*width, min(high.gainDB-0.02*width, next))
		}
		before = p
		if p = at(g); p.lufs < target-closeLU {
			low = p
		} else {
			high = p
		}
	}
	best = high
	if target-low.lufs < high.lufs-target {
		best = low
	}
	return best, low, high, true
}

// towards estimates the gain that meets the target from two known gains. Plain is the loudness
// at a gain of 0 dB without limiting. The loss by the limiter grows faster than a line through
// both points, and more slowly than an exponential. So the estimate is the middle of these two,
// or that of the line where the exponential does not meet the target.
func towards(a, b point, target, plain float64) float64 {
	line := b.gainDB + (target-b.lufs)*(b.gainDB-a.gainDB)/(b.lufs-a.lufs)
	lost, before := b.gainDB+plain-b.lufs, a.gainDB+plain-a.lufs
	if !(lost > 0 && before > 0) {
		return line
	}
	growth := math.Log(lost/before) / (b.gainDB - a.gainDB) // per dB
	curved := b.gainDB
	for range 8 { // Newton's method
		loss := lost * math.Exp(growth*(curved-b.gainDB))
		slope := 1 - growth*loss
		if !(slope > 0.05) {
			return line
		}
		curved += (target - (curved + plain - loss)) / slope
	}
	return (line + curved) / 2
}
