package stimulus

import (
	"fmt"
	"math"
	"math/rand/v2"

	"github.com/boothbench/boothbench/dsp"
)

// stressMaker makes the parts of the cases of LimiterStress.
type stressMaker struct {
	rate    int
	ceiling float64
	rng     *rand.Rand
	all     []stressPart
}

func (m *stressMaker) frames(seconds float64) int { return int(math.Round(seconds * float64(m.rate))) }

// add appends a part: silence, then a wave for some seconds. An amplitude of 1 in the wave is
// overDB over the ceiling.
func (m *stressMaker) add(name string, seconds, overDB float64, wave func(n int) float64) {
	gain := m.ceiling * dsp.DBToAmplitude(overDB)
	silence := m.frames(stressGap)
	x := make([]float64, silence+m.frames(seconds))
	for n := silence; n < len(x); n++ {
		x[n] = gain * wave(n-silence)
	}
	m.all = append(m.all, stressPart{name: name, silence: silence, main: x})
}

// sineOfRate is a sine at a fraction of the rate, from a start phase in degrees. Its phase is
// reduced to one turn first, so that it does not drift.
func sineOfRate(part, degrees float64) func(n int) float64 {
	return func(n int) float64 {
		sin, _ := dsp.SincosPi(2 * math.Mod(float64(part*float64(n))+degrees/360, 1))
		return sin
	}
}

// bursts are sines after silence, from 50 Hz to 0.45 of the rate, with start phases of 0, 45
// and 90 degrees.
func (m *stressMaker) bursts(overDB float64) {
	fs := float64(m.rate)
	for _, hz := range []float64{50, 200, 1000, 5000, fs / 4, 0.45 * fs} {
		if hz > 0.45*fs {
			continue
		}
		for _, degrees := range []float64{0, 45, 90} {
			m.add(fmt.Sprintf("%.0f Hz from %g degrees", hz, degrees), stressBurst, overDB, sineOfRate(hz/fs, degrees))
		}
	}
}

// quarter is a tone at a quarter of the rate whose samples are 3.01 dB below the peaks of its
// wave (as EBU Tech 3341 v4, signal 16). Its samples are at the ceiling. It rises and falls in
// 10 ms.
func (m *stressMaker) quarter() {
	const seconds = 0.5
	sine, length, fade := sineOfRate(0.25, 45), m.frames(seconds), m.frames(0.01)
	m.add("", seconds, 0, func(n int) float64 {
		rise, _ := dsp.SincosPi(0.5 * min(1, float64(n)/float64(fade), float64(length-1-n)/float64(fade)))
		return float64(math.Sqrt2*sine(n)) * float64(rise*rise)
	})
}

// impulses are single samples of either sign.
func (m *stressMaker) impulses() {
	for _, overDB := range []float64{6, 10, 20} {
		for _, sign := range []float64{1, -1} {
			m.add(fmt.Sprintf("one sample %+.0f dB", overDB), 0.01, overDB, func(n int) float64 {
				if n == m.rate/200 {
					return sign
				}
				return 0
			})
		}
	}
}

// alternating are runs of 1 to 40 samples of alternating sign, at the ceiling and 6 dB over it.
// They are far enough apart for an interpolator to see one alone. Where the sign alternates
// late, the wave goes far over its samples.
func (m *stressMaker) alternating() {
	for _, overDB := range []float64{0, 6} {
		from, k := 0, 1
		m.add(fmt.Sprintf("samples %+.0f dB", overDB), 0.1+40*320/float64(m.rate), overDB, func(n int) float64 {
			if n == from+320 && k < 40 {
				from, k = n, k+1
			}
			at := n - from
			if at >= 2*k {
				return 0
			}
			// Two runs meet in a pair of equal samples: the order of signs with the highest
			// peak between samples.
			if at >= k {
				at--
			}
			return float64(1 - 2*(at&1))
		})
	}
}

func (m *stressMaker) noise() {
	for i := range 4 {
		m.add(fmt.Sprintf("burst %d", i+1), stressBurst, 10, func(int) float64 { return float64(int64(m.rng.Uint64())) * 0x1p-63 })
	}
}

// ends is loud from the first frame to the last: 10 dB over the ceiling.
func (m *stressMaker) ends() {
	m.add("", 0.5, 10, sineOfRate(997/float64(m.rate), 90))
	m.all[0].main, m.all[0].silence = m.all[0].main[m.all[0].silence:], 0
}

// talkers are two voices that speak in turn and together, 12 dB over the ceiling: pulses of a
// pitch through three resonances, at the pace of syllables.
func (m *stressMaker) talkers() {
	const seconds = 3
	m.add("", seconds, 0, func(int) float64 { return 0 })
	p := &m.all[0]
	p.other = make([]float64, len(p.main))
	for voice, plane := range [][]float64{p.main, p.other} {
		speech := m.voice(90+float64(70*voice), len(plane)-p.silence)
		syllable := m.rate / 5
		loudest := 0.0
		for n := range speech {
			// Each speaks in two of three syllables, and both in one of three.
			if (n/syllable+2*voice)%3 == 2 {
				speech[n] = 0
			}
			rise, _ := dsp.SincosPi(float64(n%syllable) / float64(syllable))
			speech[n] *= rise
			loudest = max(loudest, math.Abs(speech[n]))
		}
		gain := m.ceiling * dsp.DBToAmplitude(12) / loudest
		for n, v := range speech {
			plane[p.silence+n] = gain * v
		}
	}
}

// voice is a vowel whose resonances change ten times a second.
func (m *stressMaker) voice(pitchHz float64, length int) []float64 {
	x := make([]float64, length)
	phase := 0.0
	fs := float64(m.rate)
	for from := 0; from < length; from += m.rate / 10 {
		part := x[from:min(length, from+m.rate/10)]
		for n := range part {
			if phase += pitchHz / fs; phase >= 1 {
				phase--
				part[n] = 1
			}
		}
		var sections []dsp.Biquad
		for _, at := range []float64{300 + float64(500*m.rng.Float64()), 900 + float64(1200*m.rng.Float64()), 2400 + float64(800*m.rng.Float64())} {
			sections = append(sections, dsp.CookbookLowPass(at, at/150, fs))
		}
		dsp.NewCascade(sections, 1).Process(dsp.Block{part})
	}
	return x
}
