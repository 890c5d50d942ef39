package tune

import "math"

// Bounds of the search for a gain.
const (
	mostDriveDB = 60 // of a limiter, and of a gain stage

	walkDB      = 0.5    // least step upwards while the target is not met
	closeLU     = 0.002  // as near as the forecast is asked to come, a tenth of okLU
	narrowDB    = 0.0005 // a bracket as narrow as this is a step of the loudness
	gainPerDB   = 10000  // gains are whole multiples of 0.0001 dB, so that they can be read
	searchSteps = 200
)

// point is a gain and the loudness it gives.
type point struct{ gainDB, lufs float64 }

// smallest finds the smallest gain whose loudness meets a target, from a gain on
// that does not exceed it. The loudness rises by no more than the gain, but for
// small steps where a block begins to count: so a walk by what is missing does not
// pass over a gain that meets the target by more than walkDB. Where the loudness
// steps over the target, low and high are the two sides of the step.
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
	for p.lufs < target-closeLU {
		if p.gainDB >= most {
			return p, low, p, false
		}
		// The limiter lets a part of each step through: the steps grow by what the last
		// one lost, but to twice what is missing at most.
		step := target - p.lufs
		if gained := p.lufs - low.lufs; p != low && gained > 0 {
			step *= max(1, min(2, (p.gainDB-low.gainDB)/gained))
		}
		low = p
		p = at(min(most, p.gainDB+max(walkDB, min(20, step))))
	}
	high = p
	before := low
	for i := 0; i < searchSteps && high.lufs > target+closeLU && high.gainDB-low.gainDB > narrowDB; i++ {
		g := (low.gainDB + high.gainDB) / 2
		// The secant through the last two, but for every fourth step: a loudness that
		// steps would hold it up.
		if slope := (p.lufs - before.lufs) / (p.gainDB - before.gainDB); i%4 != 3 && slope > 0 && !math.IsInf(slope, 0) {
			width := high.gainDB - low.gainDB
			g = max(low.gainDB+0.02*width, min(high.gainDB-0.02*width, p.gainDB+(target-p.lufs)/slope))
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
