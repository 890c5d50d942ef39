// Package vector holds the innermost loops of stages and meters, those that speed
// hangs on: second-order sections, the readings of an interpolator, the largest
// samples and second differences of a stretch, and sums of squares. Everything is
// planar, one float64 a sample.
//
// Each loop is written twice: in Go, which is what it means, and for amd64
// processors with AVX in assembly, which does the same operations in the same order
// on several numbers at a time. Both give the same bits (but for those of a NaN), no
// product is fused with a sum, and which of them runs is found when the program
// starts. The build tag purego leaves the assembly out.
//
// Nothing here allocates.
package vector
