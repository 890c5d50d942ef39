package stimulus

import (
	"math"
	"math/rand/v2"

	"github.com/boothbench/boothbench/dsp"
)

// SpeechLike is an invented programme with the pace and the levels of speech, for stages whose
// gain depends on level. It has phrases of four to eight syllables, 4 or 5 a second, with
// pauses between. A syllable is a train of pitch pulses through two resonances; on average
// every third begins with a hiss like an s. A rumble of 25 Hz, 45 dB below the peak, and a
// noise, 60 dB below it, are added. Each channel has a voice and a noise of its own. Its voice
// is 6 dB lower than the one before, so that the result shows which channels control a stage.
// Only its levels and times resemble speech.
type SpeechLike struct {
	PeakDBFS float64
	Seconds  float64 // fades included
	Channels int     // 0 means one
	Seed     uint64
}

// Kind is "speech-like".
func (s SpeechLike) Kind() string { return "speech-like" }

// Make returns the programme at a rate in Hz.
func (s SpeechLike) Make(rate int) (dsp.Block, error) {
	if err := firstError(checkFormat(rate, s.Channels), checkPeak("peak_dbfs", s.PeakDBFS), checkSeconds("seconds", s.Seconds)); err != nil {
		return nil, err
	}
	peak := dsp.DBToAmplitude(s.PeakDBFS)
	length := frames(s.Seconds, rate)
	// The voice is lowered by the amplitude that rumble and noise add to its peaks.
	const under = 0.00562 + 0.00173 // −45 dB, and √3 · −60 dB
	rumble := make([]float64, length)
	addSine(rumble, 25, 0.00562, rate)
	b := dsp.NewBlock(max(1, s.Channels), length)
	for c, plane := range b {
		v := &voice{rng: rand.New(rand.NewPCG(s.Seed, 0x737065656368+uint64(c))), rate: rate}
		gain := dsp.DBToAmplitude(-6*float64(c)) * (1 - under)
		spoken := v.phrases(length)
		for n, room := range uniform(length, s.Seed+uint64(c)+1) {
			plane[n] = peak * (float64(gain*spoken[n]) + rumble[n] + float64(0.00173*room))
		}
		fade(plane, rate)
	}
	return b, nil
}

// voice makes syllables at a rate in Hz.
type voice struct {
	rng  *rand.Rand
	rate int
}

// between is a random number between two values.
func (v *voice) between(low, high float64) float64 { return low + float64((high-low)*v.rng.Float64()) }

// phrases are phrases and pauses of a total length in frames, at a peak of 1.
func (v *voice) phrases(length int) []float64 {
	x := make([]float64, length)
	for from := frames(0.2, v.rate); from < length; {
		level := v.between(-14, 0)
		for range 4 + v.rng.IntN(5) {
			n := frames(v.between(0.2, 0.25), v.rate)
			if from+n > length {
				from = length
				break
			}
			v.syllable(x[from:from+n], dsp.DBToAmplitude(level+v.between(-6, 0)))
			from += n
		}
		from += frames(v.between(0.25, 0.6), v.rate)
	}
	largest := 0.0
	for _, s := range x {
		largest = max(largest, math.Abs(s))
	}
	if largest > 0 {
		scale(x, 1/largest)
	}
	return x
}

// syllable fills x with one syllable, of a peak amplitude.
func (v *voice) syllable(x []float64, peak float64) {
	pitch := v.between(90, 140)
	low, high := newResonance(v.between(300, 800), 80, v.rate), newResonance(v.between(900, 2300), 120, v.rate)
	hiss := 0
	if v.rng.IntN(3) == 0 {
		hiss = len(x) / 3
	}
	phase := 0.0
	var before [2]float64
	for n := range x {
		if n < hiss {
			// White noise minus itself two frames before has its maximum at a quarter of the
			// rate and zeros at 0 Hz and half the rate.
			white := v.between(-1, 1)
			swell, _ := dsp.SincosPi(float64(n) / float64(hiss))
			x[n] = float64((white - before[1]) * swell)
			before = [2]float64{white, before[0]}
			continue
		}
		pulse := 0.0
		if phase += pitch / float64(v.rate); phase >= 1 {
			phase--
			pulse = 1
		}
		swell, _ := dsp.SincosPi(float64(n-hiss) / float64(len(x)-hiss))
		x[n] = float64((low.next(pulse) + float64(0.5*high.next(pulse))) * swell)
	}
	// The vowel and the hiss are scaled to the peak separately.
	for _, part := range [][]float64{x[:hiss], x[hiss:]} {
		largest := 0.0
		for _, s := range part {
			largest = max(largest, math.Abs(s))
		}
		if largest > 0 {
			scale(part, peak/largest)
		}
	}
}

// resonance is a pair of poles: a formant with a centre frequency and a bandwidth in Hz.
type resonance struct{ a1, a2, y1, y2 float64 }

func newResonance(centreHz, bandwidthHz float64, rate int) *resonance {
	r := dsp.Exp2(-math.Pi * math.Log2E * bandwidthHz / float64(rate))
	_, cos := dsp.SincosPi(2 * centreHz / float64(rate))
	return &resonance{a1: 2 * r * cos, a2: -r * r}
}

func (r *resonance) next(x float64) float64 {
	y := x + float64(r.a1*r.y1) + float64(r.a2*r.y2)
	r.y2, r.y1 = r.y1, y
	return y
}
