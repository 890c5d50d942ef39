//go:build (!amd64 && !arm64) || purego

package vector

const (
	hasSIMD   = false
	hasCoarse = false
)

const noSIMD = "vector: assembly called where there is none"

func peaksSIMD(x *float64, cell int, out *float64, cells int) { panic(noSIMD) }
func curvatureSIMD(x *float64, differences int) float64       { panic(noSIMD) }
func aheadSIMD(x *float64, rows int, left *float64, ahead *[3][4]float64) {
	panic(noSIMD)
}
func quartersSIMD(x *float64, rows int, k *[8][4]float64, states *[4]QuartersState, sums *[4]float64) {
	panic(noSIMD)
}
func readingsSIMD(taps *[4]float64, half, groups int, x, out *float64, fours int) { panic(noSIMD) }
func dots4SIMD(x, a, b, c, d *float64, fours int, sums *[4]float64)               { panic(noSIMD) }
func dots2SIMD(x, a, b *float64, fours int, sums *[2]float64)                     { panic(noSIMD) }
func boundsSIMD(most *[2]float64, near, half int, x, out *float64, eights int, enough float64) {
	panic(noSIMD)
}
func coarseSIMD(taps *[4][2]int16, half, groups int, late, early *uint32, step int, out *int32, times, apart int) {
	panic(noSIMD)
}
func middlesSIMD(taps *[2]int16, fours int, late, early *uint32, to *middlesTo) { panic(noSIMD) }
