// Package vector holds the innermost loops of stages and meters, where speed
// matters most: second-order sections, the readings of an interpolator, the
// largest samples and second differences of a stretch, sums of squares, and the
// energies of several bands at once. Everything is planar, one float64 per sample.
//
// Each loop is written twice: in Go, which defines it, and in assembly for amd64
// processors with AVX, which does the same operations in the same order on several
// numbers at a time. Both give the same bits (except in a NaN), no product is fused
// with a sum, and the choice is made when the program starts. The loops of the meters
// and of the interpolator (SIMD in their names) are in assembly for arm64 too. The
// build tag purego omits the assembly.
//
// Nothing here allocates.
package vector
