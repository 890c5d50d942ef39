//go:build (!amd64 && !arm64) || purego

package vector

const (
	hasSIMD   = false
	hasCoarse = false
)

const noSIMD = "vector: assembly called where there is none"

func peaksSIMD(x *float64, cell int, out *float64, cells int) { panic(noSIMD) }
func curvatureSIMD(x *float64, differences int) float64       { panic(noSIMD) }
func energyTwoSIMD(x, y *float64, pairs int, d *Doubled, a, b *DoubledState, w *[4]float64, sums *float64) {
	panic(noSIMD)
}
func energyOneSIMD(x *float64, pairs int, d *Doubled, s *DoubledState, w *[2]float64, sum *float64) {
	panic(noSIMD)
}
func readingsSIMD(taps *[4]float64, half, groups int, x, out *float64, fours int) { panic(noSIMD) }
func dots4SIMD(x, a, b, c, d *float64, fours int, sums *[4]float64)               { panic(noSIMD) }
func dots2SIMD(x, a, b *float64, fours int, sums *[2]float64)                     { panic(noSIMD) }
func boundsSIMD(most *[2]float64, half int, x, out *float64, eights int)          { panic(noSIMD) }
func coarseSIMD(taps *[4][2]int16, half, groups int, late, early *uint32, out *CoarseReadings) {
	panic(noSIMD)
}
