//go:build !purego

package vector

import "golang.org/x/sys/cpu"

// hasAVX reports whether the processor, and the system under the program, have AVX.
var hasAVX = cpu.X86.HasAVX

// hasSIMD reports whether the loops that arm64 has in assembly too can run.
var hasSIMD = hasAVX

// hasAVX2 reports the same for AVX2, which adds whole numbers and gathering.
var hasAVX2 = cpu.X86.HasAVX2

// hasCoarse reports whether coarse banks can be read in assembly.
var hasCoarse = hasAVX2

// hasAVX512 reports the same for AVX-512, whose registers hold eight numbers.
var hasAVX512 = cpu.X86.HasAVX512F

//go:noescape
func pair1AVX(x, y *float64, frames int, k *Section, state *State)

//go:noescape
func pair2AVX(x, y *float64, frames int, k *Section, state0, state1 *State)

//go:noescape
func pair3AVX(x, y *float64, frames int, k *Section, state0, state1, state2 *State)

//go:noescape
func fourAVX(x *float64, frames int, k *Section, state0, state1, state2, state3 *State)

//go:noescape
func twoAVX(x *float64, frames int, k *Section, state0, state1 *State)

//go:noescape
func peaksSIMD(x *float64, cell int, out *float64, cells int)

//go:noescape
func curvatureSIMD(x *float64, differences int) float64

//go:noescape
func aheadSIMD(x *float64, rows int, left *float64, ahead *[3][4]float64)

//go:noescape
func quartersSIMD(x *float64, rows int, k *[8][4]float64, states *[4]QuartersState, sums *[4]float64)

//go:noescape
func readingsSIMD(taps *[4]float64, half, groups int, x, out *float64, fours int)

//go:noescape
func dots4SIMD(x, a, b, c, d *float64, fours int, sums *[4]float64)

//go:noescape
func dots2SIMD(x, a, b *float64, fours int, sums *[2]float64)

//go:noescape
func boundsSIMD(most *[2]float64, near, half int, x, out *float64, eights int, enough float64)

//go:noescape
func scaleAVX(to, from *float64, gain float64, cell int, peaks *float64, cells int)

//go:noescape
func multiplyAVX(to, a, b *float64, frames int)

//go:noescape
func multiplyScaledAVX(x, gain *float64, factor float64, fours int)

//go:noescape
func lowestAVX(gain *float64, fours int, lowest float64) float64

//go:noescape
func approachAVX2(gain *float64, fours int, off, pole float64, k *[6]uint64, table *uint64) float64

//go:noescape
func ditherAVX2(to, x *float64, scale float64, state *uint64, fours int, k *[12]uint64)

//go:noescape
func fourPairAVX(x, y *float64, frames int, k *Section, state0, state1, state2, state3 *State)

//go:noescape
func byFourAVX(toRe, toIm, fromRe, fromIm *float64, turns *Turns, stride, groups int)

//go:noescape
func firstByFourAVX(toRe, toIm, fromRe, fromIm *float64, turns *[6]*float64, quarter int)

//go:noescape
func splitAVX(re, im, x *float64, fours int)

//go:noescape
func splitWindowedAVX(re, im, window, x *float64, fours int)

//go:noescape
func unravelAVX(up, down *complex128, re, im, reDown, imDown, turnRe, turnIm *float64, fours int)

//go:noescape
func squaresByFourAVX(sums, re, im *float64, quarter int)

//go:noescape
func squaresByTwoAVX(sums, re, im *float64, half int)

//go:noescape
func lastByTwoAVX(to, from *float64, half int)

//go:noescape
func unpackAVX(first, second *float64, raw *byte, order *[16]byte, bytes, step, fours int)

//go:noescape
func packAVX2(raw *byte, left, right *float64, fours int, k *packConstants) (rest int)

//go:noescape
func turningAVX(x *float64, fours int, t *Turning)

//go:noescape
func bankOneAVX(x *float64, frames int, b *Bank, s *BankState)

//go:noescape
func bankTwoAVX(x, y *float64, frames int, b *Bank, s *BankState)

//go:noescape
func squaresAVX(x *float64, fours int, sums *[4]float64)

//go:noescape
func surveyAVX(x, weights *float64, fours int, l *surveyed, s *Survey)

//go:noescape
func bankPairAVX512(x, y *float64, frames int, b *Bank, s, t *BankState)

//go:noescape
func differenceAVX(x, y, e *float64, gain float64, fours int, l *differing)

//go:noescape
func quartetAVX(x *float64, frames int, q *Quartet, s *QuartetState)

//go:noescape
func overAVX(x *float64, fours int, value float64) uint32

//go:noescape
func extentsAVX(x *float64, fours int, extents *Extent, blocks int)

//go:noescape
func coarsenAVX2(x *float64, scale float64, pairs, swapped *uint32, fours int)

//go:noescape
func coarseSIMD(taps *[4][2]int16, half, groups int, late, early *uint32, step int, out *int32, times, apart int)

//go:noescape
func aboveAVX2(r *CoarseReadings, level int32) uint32

//go:noescape
func largestAVX2(r *int32, eights int) int32

//go:noescape
func squaresPairAVX(x, y *float64, group int, k *Section, state *State, sums *GroupSquares, groups int)

//go:noescape
func filterSquaresAVX(x, y *float64, group int, first, second *Section, firstState, secondState *State, sums *GroupSquares, groups int)

//go:noescape
func magnitudesAVX2(to *uint64, x, y *float64, fours int) (largest uint64)

//go:noescape
func exchangeAVX(x, y *float64, fours int)

//go:noescape
func readingAVX(taps *[4]float64, half, groups int, window *float64) float64

//go:noescape
func middlesSIMD(taps *[2]int16, fours int, late, early *uint32, to *middlesTo)
