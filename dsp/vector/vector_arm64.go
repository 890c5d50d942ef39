//go:build !purego

package vector

// hasSIMD: every 64-bit ARM processor has vector registers of two float64.
const hasSIMD = true

// hasCoarse reports whether coarse banks can be read in assembly.
const hasCoarse = true

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
func coarseSIMD(taps *[4][2]int16, half, groups int, late, early *uint32, step int, out *int32, times, apart int)

//go:noescape
func middlesSIMD(taps *[2]int16, fours int, late, early *uint32, to *middlesTo)
