package vector

import "math"

// Approach stores the gains 2^(goal + off·k), 2^(goal + off·k²) … and returns
// the offset that is left. Exponents are 0 to −1000. The table holds the bits of
// 2^(i/512). The result is within 1e-14 of the exact value, or 1e-13 dB.
func Approach(gain []float64, goal, off, k float64, table *[GainSteps]uint64) float64 {
	if whole := len(gain) &^ 3; hasAVX2 && whole > 0 {
		constants := approachConstants
		constants[0] = math.Float64bits(goal)
		off = approachAVX2(&gain[0], whole/4, off, k, &constants, &table[0])
		gain = gain[whole:]
	}
	return approach(gain, goal, off, k, table)
}

// GainSteps is the number of a table's steps in a doubling.
const GainSteps = 512

const (
	// Adding 1.5·2^52 steps rounds to whole steps, and leaves their number in the
	// sum's lowest bits.
	toSteps = 1.5 * (1 << 52) / GainSteps
	perStep = (1 << 52) / GainSteps // a step in an exponent's place

	// The series of 2^r − 1, |r| ≤ 1/1024: the first term left out is 0.0096·r⁴, or
	// 9e-15.
	series1 = 0.6931471805599453
	series2 = 0.24022650695910072
	series3 = 0.05550410866482158
)

// approachConstants are the constants that the assembly loads; the goal comes first.
var approachConstants = [6]uint64{1: math.Float64bits(toSteps), 2: GainSteps - 1,
	3: math.Float64bits(series1), 4: math.Float64bits(series2), 5: math.Float64bits(series3)}

func approach(gain []float64, goal, off, k float64, table *[GainSteps]uint64) float64 {
	for i := range gain {
		off = float64(off * k)
		x := goal + off
		whole := x + toSteps
		n := math.Float64bits(whole)
		r := x - (whole - toSteps)
		// The exponent is put in by adding to the table's.
		base := math.Float64frombits(table[n%GainSteps] + n/GainSteps*GainSteps*perStep)
		p := r * (series1 + float64(r*(series2+float64(r*series3))))
		gain[i] = base + float64(base*p)
	}
	return off
}
