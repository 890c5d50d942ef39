package tune

import "github.com/boothbench/boothbench/dsp"

// Levels are stored as 16-bit codes: 512 steps for a factor of two, from 2^−60 to 2^67; 0 is
// silence. A step is 0.012 dB of an amplitude and 0.006 dB of a power. Over the many cells of a
// block the rounding errors average out.
const (
	levelSteps  = 512
	levelLowest = -60
)

// levelCode returns the code of an amplitude or a power.
func levelCode(v float64) uint16 {
	if !(v > 0) {
		return 0
	}
	code := int(float64((dsp.Log2(v)-levelLowest)*levelSteps) + 0.5)
	return uint16(max(1, min(1<<16-1, code)))
}

// levelDB returns a code of an amplitude in dB.
func levelDB(code uint16) float64 {
	if code == 0 {
		return silentDB
	}
	return float64(float64(code)*levelStepDB) + levelLowestDB
}

var (
	levelStepDB   = dsp.AmplitudeToDB(2) / levelSteps
	levelLowestDB = dsp.AmplitudeToDB(2) * levelLowest
)

// silentDB stands for silence in dB: no drive can raise it to an audible level.
const silentDB = -1000

// levelFractions are the fractional powers of two from 1 to 2, one for each step of a code.
var levelFractions = func() (f [levelSteps]float64) {
	for i := range f {
		f[i] = dsp.Exp2(float64(i) / levelSteps)
	}
	return f
}()

// levelPowers are the whole powers of two of the codes.
var levelPowers = func() (p [1<<16/levelSteps + 1]float64) {
	for i := range p {
		p[i] = dsp.Exp2(float64(i + levelLowest))
	}
	return p
}()

// levelValue returns the amplitude or power of a code.
func levelValue(code uint16) float64 {
	if code == 0 {
		return 0
	}
	return levelPowers[code/levelSteps] * levelFractions[code%levelSteps]
}
