package stimulus

import (
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
)

// Part is a stretch of a programme: a time and a peak in dBFS for each channel,
// −Inf for silence.
type Part struct {
	Seconds   float64
	PeaksDBFS []float64
}

// Programme joins stretches of one sine of continuous phase, without fades: a test signal for
// loudness meters.
func Programme(rate, hz int, parts ...Part) dsp.Block {
	period := rate / gcd(rate, hz)
	sine := make([]float64, period)
	for n := range sine {
		sine[n], _ = dsp.SincosPi(2 * float64(n*hz%rate) / float64(rate))
	}
	end, total := 0.0, 0.0
	for _, p := range parts {
		total += p.Seconds
	}
	b := dsp.NewBlock(len(parts[0].PeaksDBFS), frames(total, rate))
	for _, p := range parts {
		from := frames(end, rate)
		end += p.Seconds
		for c, level := range p.PeaksDBFS {
			amplitude := dsp.DBToAmplitude(level)
			for n := from; n < min(frames(end, rate), len(b[c])); n++ {
				b[c][n] = amplitude * sine[n%period]
			}
		}
	}
	return b
}

func gcd(a, b int) int {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// silent is the level of silence.
var silent = math.Inf(-1)

// stereo is a stretch with the same level in two channels.
func stereo(seconds, dbfs float64) Part { return Part{seconds, []float64{dbfs, dbfs}} }

func repeat(n int, parts ...Part) (all []Part) {
	for range n {
		all = append(all, parts...)
	}
	return all
}

// Tech3341 is a synthetic test signal of EBU Tech 3341 v4 (2023), Table 1, at the document's
// level. It has two channels, in case 6 five.
type Tech3341 struct {
	Case    int // 1 to 6 and 9 to 23; 7 and 8 are recorded programmes
	Variant int // 0 to 19 in cases 10 and 13, which are 20 signals each; else 0
}

// Kind is "tech-3341".
func (s Tech3341) Kind() string { return "tech-3341" }

// Make returns the signal at a rate in Hz.
func (s Tech3341) Make(rate int) (dsp.Block, error) {
	if err := s.check(rate); err != nil {
		return nil, err
	}
	if s.Case >= 20 {
		return both(betweenSamples(rate, s.Case-20)), nil
	}
	if s.Case >= 15 {
		c := map[int]struct{ divisor, amplitude, degrees float64 }{
			15: {4, 0.5, 0}, 16: {4, 0.5, 45}, 17: {6, 0.5, 60}, 18: {8, 0.5, 67.5}, 19: {4, 1.41, 45},
		}[s.Case]
		return both(fractionOfRate(rate, c.divisor, c.amplitude, c.degrees)), nil
	}
	return Programme(rate, 1000, s.parts()...), nil
}

func (s Tech3341) check(rate int) error {
	variants := 0
	if s.Case == 10 || s.Case == 13 {
		variants = 19
	}
	if s.Case < 1 || s.Case > 23 || s.Case == 7 || s.Case == 8 {
		return &dsp.SettingError{Setting: "case", Found: fmt.Sprint(s.Case), Accepted: "1 to 6 and 9 to 23 (7 and 8 are recorded programmes)"}
	}
	return firstError(checkFormat(rate, 2), checkRange("variant", float64(s.Variant), 0, float64(variants), ""),
		checkRange("rate", float64(rate), 8000, dsp.MaxRate, "Hz"))
}

// parts are the stretches of cases 1 to 14.
func (s Tech3341) parts() []Part {
	v := float64(s.Variant)
	switch s.Case {
	case 1:
		return []Part{stereo(20, -23)}
	case 2:
		return []Part{stereo(20, -33)}
	case 3:
		return []Part{stereo(10, -36), stereo(60, -23), stereo(10, -36)}
	case 4:
		return []Part{stereo(10, -72), stereo(10, -36), stereo(60, -23), stereo(10, -36), stereo(10, -72)}
	case 5:
		return []Part{stereo(20, -26), stereo(20.1, -20), stereo(20, -26)}
	case 6:
		return []Part{{20, []float64{-28, -28, -24, -30, -30}}}
	case 9:
		return repeat(5, stereo(1.34, -20), stereo(1.66, -30))
	case 10:
		return []Part{stereo(0.15*v, silent), stereo(3, -23), stereo(1, silent)}
	case 12:
		return repeat(25, stereo(0.18, -20), stereo(0.22, -30))
	case 13:
		return []Part{stereo(0.02*v, silent), stereo(0.4, -23), stereo(1, silent)}
	}
	length, step := 3.0, 0.15 // case 11
	if s.Case == 14 {
		length, step = 0.4, 0.02
	}
	var all []Part
	for i := range 20 { // one signal after the other, each louder by 1 dB
		all = append(all, Rising(i, length, step)...)
	}
	return all
}

// Rising is the i-th signal, counted from 0, of cases 11 (length 3 s, step 0.15 s) and 14 (0.4
// s, 0.02 s).
func Rising(i int, length, step float64) []Part {
	v := float64(i)
	return []Part{stereo(v*step, silent), stereo(length, v-38), stereo(length-float64(v*step), silent)}
}

// fractionOfRate is a sine at a fraction of the rate with linear fades of 10 ms. Its samples
// miss the peaks of the wave.
func fractionOfRate(rate int, divisor, amplitude, degrees float64) []float64 {
	x := make([]float64, rate/5)
	for n := range x {
		x[n], _ = dsp.SincosPi(math.Mod(2*float64(n)/divisor, 2) + degrees/180)
		x[n] *= amplitude * straightFade(n, len(x), rate/100)
	}
	return x
}

func straightFade(n, length, fade int) float64 {
	return min(1, float64(n)/float64(fade), float64(length-1-n)/float64(fade))
}

// betweenSamples are the cases 20 to 23: a sine of fs/6 at half scale with one period of fs/4
// at full scale in it. It is made at 4 fs, low-passed and decimated at an offset of 0 to 3.
func betweenSamples(rate, offset int) []float64 {
	high := make([]float64, 4*(rate/5))
	join := len(high) / 48 * 24 // a zero crossing of fs/6, whose period is 24 frames of 4 fs
	for n := range high {
		amplitude, turns := 0.5, float64(n)/24
		switch {
		case n >= join && n < join+16:
			amplitude, turns = 1, float64(n-join)/16
		case n >= join+16:
			turns = float64(n-join-16) / 24
		}
		high[n], _ = dsp.SincosPi(2 * fraction(turns))
		high[n] *= amplitude * straightFade(n, len(high), rate/25)
	}
	taps := lowPassTaps()
	x := make([]float64, rate/5)
	for n := range x {
		for j, h := range taps {
			if k := 4*n + offset + j - len(taps)/2; k >= 0 && k < len(high) {
				x[n] += float64(h * high[k])
			}
		}
	}
	return x
}

// lowPassTaps is a low-pass at an eighth of the rate: a sinc of 511 taps under a Blackman
// window, with a gain of 1 at 0 Hz.
func lowPassTaps() []float64 {
	taps := make([]float64, 511)
	sum := 0.0
	for j := range taps {
		k := float64(j - 255)
		h := 0.25
		if k != 0 {
			sin, _ := dsp.SincosPi(k / 4)
			h = sin / (math.Pi * k)
		}
		_, once := dsp.SincosPi(k / 256)
		_, twice := dsp.SincosPi(k / 128)
		taps[j] = float64(h * (0.42 + float64(0.5*once) + float64(0.08*twice)))
		sum += taps[j]
	}
	scale(taps, 1/sum)
	return taps
}

func both(plane []float64) dsp.Block { return spread(plane, 2, 0) }

// Tech3342 is a synthetic test signal of EBU Tech 3342 v4 (2023): 1 kHz at levels
// of 20 s each, for the loudness range. Two channels.
type Tech3342 struct {
	Case int // 1 to 4; 5 and 6 are recorded programmes
}

// Kind is "tech-3342".
func (s Tech3342) Kind() string { return "tech-3342" }

// Make returns the signal at a rate in Hz.
func (s Tech3342) Make(rate int) (dsp.Block, error) {
	if s.Case < 1 || s.Case > 4 {
		return nil, &dsp.SettingError{Setting: "case", Found: fmt.Sprint(s.Case), Accepted: "1 to 4 (5 and 6 are recorded programmes)"}
	}
	if err := firstError(checkFormat(rate, 2), checkRange("rate", float64(rate), 8000, dsp.MaxRate, "Hz")); err != nil {
		return nil, err
	}
	var parts []Part
	for _, level := range [][]float64{{-20, -30}, {-20, -15}, {-40, -20}, {-50, -35, -20, -35, -50}}[s.Case-1] {
		parts = append(parts, stereo(20, level))
	}
	return Programme(rate, 1000, parts...), nil
}
