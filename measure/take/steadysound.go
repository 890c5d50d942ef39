package take

import (
	"fmt"
	"math"

	"github.com/boothbench/boothbench/measure"
)

// Noise that changes faster than the model of two floors follows, as a compressor that
// switches each second does, has a level that returns: frames of 50 ms, one after the other,
// within 1 dB of one level. Speech moves on. (own choice of the constants: of 108 takes with one
// floor none has more than 2.3 s of such frames over 2 % of the time)
const (
	steadySpreadDB  = 1    // on both sides of the level
	steadyRunFrames = 8    // in a row, 225 ms
	steadyOverDB    = 3.5  // least distance to the floor
	steadySpanDB    = 40   // largest distance
	steadyStepDB    = 0.5  // of the search
	steadyLeastMs   = 3000 // of such frames in all
	steadyShare     = 0.05 // least share of the time
)

// steadySound is the level over the floor at which most frames of a channel lie in runs, and
// their share of the time; false: too few for a statement.
func (t *take) steadySound(f *floor) (overDB, share float64, ok bool) {
	track := &t.levels.pause[f.channel]
	const levels = int((steadySpanDB-steadyOverDB)/steadyStepDB) + 1
	var runs [levels]struct{ last, run, frames int } // by level
	for i := range track.n {
		over := track.db(i) - f.noise.pauses.levelDB
		at := (over - steadyOverDB) / steadyStepDB
		if !(math.Abs(at) < 2*float64(levels)) { // also NaN
			continue
		}
		const reach = int(steadySpreadDB / steadyStepDB)
		for k := max(0, int(math.Floor(at))-reach); k <= min(levels-1, int(math.Ceil(at))+reach); k++ {
			if math.Abs(over-steadyOverDB-float64(k)*steadyStepDB) > steadySpreadDB {
				continue
			}
			r := &runs[k]
			if r.last != i-1 {
				r.run = 0
			}
			r.last = i
			switch r.run++; {
			case r.run == steadyRunFrames:
				r.frames += r.run
			case r.run > steadyRunFrames:
				r.frames++
			}
		}
	}
	most := 0
	for k, r := range runs {
		if r.frames > most {
			most, overDB = r.frames, steadyOverDB+float64(k)*steadyStepDB
		}
	}
	share = float64(most) / float64(max(1, track.n))
	return overDB, share, most*hopMs >= steadyLeastMs && share >= steadyShare
}

// reportSteadySound states that noise may come and go.
func (t *take) reportSteadySound(r *report, f *floor) {
	if f.lower != nil {
		return // that is said
	}
	if over, share, ok := t.steadySound(f); ok {
		r.find(measure.Note, -1, f.channel, fmt.Sprintf("a sound of steady level is about %.0f dB over the noise floor for %.0f %% of the time: if it is noise that comes and goes, the floor is that of the quieter parts, and the louder parts count as speech where they are more than %d dB over it", over, 100*share, overNoiseDB), "listen to it; if it is noise, find what switches, or set what follows for the louder parts")
	}
}
