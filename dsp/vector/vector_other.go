//go:build !amd64 || purego

package vector

const hasAVX = false

func pair1AVX(x, y *float64, frames int, k *Section, state *State)                  { panic(noAVX) }
func pair2AVX(x, y *float64, frames int, k *Section, state0, state1 *State)         { panic(noAVX) }
func pair3AVX(x, y *float64, frames int, k *Section, state0, state1, state2 *State) { panic(noAVX) }
func twoAVX(x *float64, frames int, k *Section, state0, state1 *State)              { panic(noAVX) }
func peaksAVX(x *float64, cell int, out *float64, cells int)                        { panic(noAVX) }
func bendsAVX(x *float64, cell int, out *float64, cells int)                        { panic(noAVX) }
func squaresAVX(x *float64, fours int, sums *[4]float64)                            { panic(noAVX) }
func readingsAVX(taps *[4]float64, half, groups int, x, out *float64, fours int)    { panic(noAVX) }

const noAVX = "vector: no AVX here"
