//go:build !amd64 || purego

package vector

const (
	hasAVX    = false
	hasAVX2   = false
	hasAVX512 = false
)

func pair1AVX(x, y *float64, frames int, k *Section, state *State)                      { panic(noAVX) }
func pair2AVX(x, y *float64, frames int, k *Section, state0, state1 *State)             { panic(noAVX) }
func pair3AVX(x, y *float64, frames int, k *Section, state0, state1, state2 *State)     { panic(noAVX) }
func twoAVX(x *float64, frames int, k *Section, state0, state1 *State)                  { panic(noAVX) }
func scaleAVX(to, from *float64, gain float64, cell int, peaks *float64, cells int)     { panic(noAVX) }
func multiplyAVX(to, a, b *float64, frames int)                                         { panic(noAVX) }
func fourAVX(x *float64, frames int, k *Section, state0, state1, state2, state3 *State) { panic(noAVX) }

func multiplyScaledAVX(x, gain *float64, factor float64, fours int) { panic(noAVX) }
func lowestAVX(gain *float64, fours int, lowest float64) float64    { panic(noAVX) }
func approachAVX2(gain *float64, fours int, off, pole float64, k *[6]uint64, table *uint64) float64 {
	panic(noAVX)
}
func ditherAVX2(to, x *float64, scale float64, state *uint64, fours int, k *[12]uint64) { panic(noAVX) }
func fourPairAVX(x, y *float64, frames int, k *Section, state0, state1, state2, state3 *State) {
	panic(noAVX)
}
func byFourAVX(toRe, toIm, fromRe, fromIm *float64, turns *Turns, stride, groups int) { panic(noAVX) }
func firstByFourAVX(toRe, toIm, fromRe, fromIm *float64, turns *[6]*float64, quarter int) {
	panic(noAVX)
}
func splitAVX(re, im, x *float64, fours int)                 { panic(noAVX) }
func splitWindowedAVX(re, im, window, x *float64, fours int) { panic(noAVX) }
func unravelAVX(up, down *complex128, re, im, reDown, imDown, turnRe, turnIm *float64, fours int) {
	panic(noAVX)
}
func squaresByFourAVX(sums, re, im *float64, quarter int) { panic(noAVX) }
func squaresByTwoAVX(sums, re, im *float64, half int)     { panic(noAVX) }
func lastByTwoAVX(to, from *float64, half int)            { panic(noAVX) }
func unpackAVX(first, second *float64, raw *byte, order *[16]byte, bytes, step, fours int) {
	panic(noAVX)
}
func packAVX2(raw *byte, left, right *float64, fours int, k *packConstants) (rest int) { panic(noAVX) }
func turningAVX(x *float64, fours int, t *Turning)                                     { panic(noAVX) }
func bankOneAVX(x *float64, frames int, b *Bank, s *BankState)                         { panic(noAVX) }
func bankTwoAVX(x, y *float64, frames int, b *Bank, s *BankState)                      { panic(noAVX) }
func squaresAVX(x *float64, fours int, sums *[4]float64)                               { panic(noAVX) }
func surveyAVX(x, weights *float64, fours int, l *surveyed, s *Survey)                 { panic(noAVX) }
func bankPairAVX512(x, y *float64, frames int, b *Bank, s, t *BankState)               { panic(noAVX) }

const noAVX = "vector: no AVX here"

func differenceAVX(x, y, e *float64, gain float64, fours int, l *differing)    { panic(noAVX) }
func quartetAVX(x *float64, frames int, q *Quartet, s *QuartetState)           { panic(noAVX) }
func coarsenAVX2(x *float64, scale float64, pairs, swapped *uint32, fours int) { panic(noAVX) }
func aboveAVX2(r *CoarseReadings, level int32) uint32                          { panic(noAVX) }
func largestAVX2(r *int32, eights int) int32                                   { panic(noAVX) }
func squaresPairAVX(x, y *float64, group int, k *Section, state *State, sums *GroupSquares, groups int) {
	panic(noAVX)
}
func filterSquaresAVX(x, y *float64, group int, first, second *Section, firstState, secondState *State, sums *GroupSquares, groups int) {
	panic(noAVX)
}
func magnitudesAVX2(to *uint64, x, y *float64, fours int) (largest uint64)   { panic(noAVX) }
func overAVX(x *float64, fours int, value float64) uint32                    { panic(noAVX) }
func extentsAVX(x *float64, fours int, extents *Extent, blocks int)          { panic(noAVX) }
func exchangeAVX(x, y *float64, fours int)                                   { panic(noAVX) }
func readingAVX(taps *[4]float64, half, groups int, window *float64) float64 { panic(noAVX) }
