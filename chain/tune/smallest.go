package tune

import "math"

// Bounds of the search for a gain.
const (
	mostDriveDB = 60 // of a limiter, and of a gain stage

	walkDB      = 0.5    // a step upwards that need not be proved to pass over nothing
	patience    = 6      // after so many steps none is smaller
	closeLU     = 0.002  // as near as the forecast is asked to come, a tenth of okLU
	narrowDB    = 0.0005 // a bracket as narrow as this is a step of the loudness
	gainPerDB   = 10000  // gains are whole multiples of 0.0001 dB, so that they can be read
	searchSteps = 200
)

// point is a gain and the loudness it gives.
type point struct{ gainDB, lufs float64 }

// smallest finds the smallest gain whose loudness meets a target, from a gain on
// that does not exceed it. The loudness rises by no more than the gain, but for
// small steps where a block begins to count: so a step by what is missing passes over
// no gain that meets the target, and one by four times that, or by walkDB, over few.
// Where the loudness steps over the target, low and high are the two sides of the step.
//
// met is false where no gain up to most meets it.
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
		missing := target - p.lufs // no gain up to so much more meets it
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
		// Every fourth step halves the bracket: a loudness that steps would hold it up.
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

// towards is the gain at which the loudness is expected to meet the target, by two gains;
// plain is the loudness without limiting, for a gain of 0 dB. What the limiter takes grows
// faster than along the line through both, and more slowly than exponentially: so it is
// the middle between what these two give, or what the line gives where the exponential
// meets no target.
func towards(a, b point, target, plain float64) float64 {
	line := b.gainDB + (target-b.lufs)*(b.gainDB-a.gainDB)/(b.lufs-a.lufs)
	lost, before := b.gainDB+plain-b.lufs, a.gainDB+plain-a.lufs
	if !(lost > 0 && before > 0) {
		return line
	}
	growth := math.Log(lost/before) / (b.gainDB - a.gainDB) // for each dB
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
