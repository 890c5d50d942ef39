//go:build !purego

package vector

import "golang.org/x/sys/cpu"

// hasAVX tells whether the processor, and the system under the program, know AVX.
var hasAVX = cpu.X86.HasAVX

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
func peaksAVX(x *float64, cell int, out *float64, cells int)

//go:noescape
func bendAVX(x *float64, differences int) float64

//go:noescape
func energyPairAVX(x, y *float64, frames int, k *Section, state0, state1 *State, sums *float64)

//go:noescape
func energySkewedAVX(x *float64, fours int, k *Section, state0, state1 *State, between *[4]float64, sum *float64)

//go:noescape
func readingsAVX(taps *[4]float64, half, groups int, x, out *float64, fours int)

//go:noescape
func boundsAVX(most *[2]float64, half int, x, out *float64, eights int)

//go:noescape
func scaleAVX(to, from *float64, gain float64, cell int, peaks *float64, cells int)

//go:noescape
func multiplyAVX(to, a, b *float64, frames int)
