package dsp

import "math"

// approach stores the gains 2^(goal + off·k), 2^(goal + off·k²) … and returns
// the offset that is left. Exponents are 0 to −1000. A gain that moves is most
// of what a dynamics stage costs, so this is Exp2 without the cases that cannot
// occur, with more steps and fewer terms: within 1e-14 of it, or 1e-13 dB.
func approach(gain []float64, goal, off, k float64) float64 {
	// Adding 1.5·2^52 steps rounds to whole steps, and leaves their number in
	// the sum's lowest bits.
	const toSteps = 1.5 * (1 << 52) / gainSteps
	const perStep = (1 << 52) / gainSteps // a step in an exponent's place
	for i := range gain {
		off = float64(off * k)
		x := goal + off
		whole := x + toSteps
		n := math.Float64bits(whole)
		r := x - (whole - toSteps) // |r| ≤ 1/1024
		// The exponent is put in by adding to the table's.
		base := math.Float64frombits(gainTable[n%gainSteps] + n/gainSteps*gainSteps*perStep)
		// The series of 2^r − 1 (as in exp2Minus1); the first term left out is
		// 0.0096·r⁴, or 9e-15.
		p := r * (0.6931471805599453 + float64(r*(0.24022650695910072+float64(r*0.05550410866482158))))
		gain[i] = base + float64(base*p)
	}
	return off
}

// gainTable holds the bits of 2^(i/512).
var gainTable = func() (table [gainSteps]uint64) {
	for i := range table {
		table[i] = math.Float64bits(Exp2(float64(i) / gainSteps))
	}
	return table
}()

const gainSteps = 512
