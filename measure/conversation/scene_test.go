package conversation

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/dsptest/takes"
	"github.com/boothbench/boothbench/dsp/vector"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/spectra"
	"github.com/boothbench/boothbench/measure/internal/timemap"
)

// scene is a conversation with known properties.
type scene struct {
	rate            int
	seed            uint64
	voices          [][]float64 // each in its own microphone
	bleedDB         [][]float64 // of a voice into a microphone
	delay           [][]float64 // frames
	inverted        []bool      // by microphone
	driftPPM        []float64   // of the microphones' clocks
	offset          []float64   // frames by which the microphones' recorders started earlier
	noise           []float64   // dBFS of each microphone
	shared          []float64   // sound that is in all microphones
	reverberates    [][]float64 // reverberation time for 60 dB in seconds, by voice and microphone; nil: no room
	reverberationDB [][]float64 // power of the reverberation, relative to the direct sound
	moves           float64     // amplitude in frames by which a head sways on the paths to other microphones
	rng             *rand.Rand
}

// newScene lets voices speak in turn, sometimes two at a time, with recorded phrases, or with
// synthetic ones where none are installed.
func newScene(t testing.TB, voices int, seconds float64, seed uint64) *scene {
	t.Helper()
	rng := rand.New(rand.NewPCG(seed, 0xc0))
	p := phrases(t, seed)
	s := &scene{rate: p.Rate, seed: seed, rng: rng, voices: make([][]float64, voices), inverted: make([]bool, voices), driftPPM: make([]float64, voices), noise: make([]float64, voices), offset: make([]float64, voices)}
	for i := range s.voices {
		s.noise[i] = -62 + 10*rng.Float64()
		s.bleedDB = append(s.bleedDB, make([]float64, voices))
		s.delay = append(s.delay, make([]float64, voices))
	}
	s.talk(p, int(seconds*float64(s.rate)), 0.15, 0.45)
	for i := range s.bleedDB {
		for j := range s.bleedDB {
			if i != j {
				s.bleedDB[i][j] = -12 - 14*rng.Float64()
				s.delay[i][j] = (0.002 + 0.006*rng.Float64()) * float64(s.rate) // 0.7 to 2.7 m
			}
		}
	}
	return s
}

// talk lets the voices speak in turn. A turn begins up to early seconds before the end of the
// last one, or up to late seconds after it.
func (s *scene) talk(p takes.Phrases, frames int, early, late float64) {
	rng, voices := s.rng, len(s.voices)
	for i := range s.voices {
		s.voices[i] = make([]float64, frames)
	}
	last := -1
	for at := s.rate; at < frames; {
		i := rng.IntN(voices)
		if i == last {
			i = (i + 1) % voices
		}
		last = i
		// Each voice has its own phrases: the same sound twice would count as a copy.
		clip := p.Clips[i+voices*rng.IntN(len(p.Clips)/voices)]
		gain := math.Pow(10, (-20-float64(4*i)+3*rng.Float64()-takes.ActiveLevel(clip, s.rate))/20)
		for n, v := range clip {
			if at+n < frames {
				s.voices[i][at+n] += gain * v
			}
		}
		// Mostly a pause follows, but sometimes the next voice begins too early.
		at += len(clip) + int(((early+late)*rng.Float64()-early)*float64(s.rate))
	}
}

// delayed delays a sound by frames, which may be fractional, with the phases of one transform.
// (A test of package spectra compares its transforms with another library's.)
func delayed(x []float64, frames float64) []float64 {
	length := 1
	for length < len(x)+int(2*math.Abs(frames))+4096 {
		length *= 2
	}
	fft := spectra.NewFFT(length)
	padded := make([]float64, length)
	copy(padded, x)
	bins := fft.Coefficients(nil, padded)
	for k := range bins {
		sin, cos := math.Sincos(-2 * math.Pi * float64(k) * frames / float64(length))
		bins[k] *= complex(cos/float64(length), sin/float64(length))
	}
	return fft.Sequence(nil, bins)[:len(x)]
}

// image is a voice as a microphone would record it without noise, and without an offset or
// drift of its recorder.
func (s *scene) image(i, j int) []float64 {
	x := s.voices[i]
	if i != j {
		if math.IsInf(s.bleedDB[i][j], -1) {
			return make([]float64, len(x))
		}
		gain := math.Pow(10, s.bleedDB[i][j]/20)
		x = delayed(x, s.delay[i][j])
		for n := range x {
			x[n] *= gain
		}
		x = s.moved(x)
	}
	if s.reverberates == nil {
		return x
	}
	// The room is noise that decays exponentially, from 2 ms after the direct sound.
	seconds := s.reverberates[i][j]
	tail := make([]float64, int(seconds*float64(s.rate)))
	rng := rand.New(rand.NewPCG(s.seed, uint64(i*8+j)))
	power := 0.0
	for n := s.rate / 500; n < len(tail); n++ {
		tail[n] = rng.NormFloat64() * math.Pow(10, -3*float64(n)/float64(len(tail)))
		power += tail[n] * tail[n]
	}
	gain := math.Pow(10, s.reverberationDB[i][j]/20) / math.Sqrt(power)
	for n := range tail {
		tail[n] *= gain
	}
	tail[0] = 1
	return convolved(x, tail)
}

// moved varies the delay of a sound as a sine of 7 s, by straight lines of 50 ms.
func (s *scene) moved(x []float64) []float64 {
	if s.moves == 0 {
		return x
	}
	y := make([]float64, 0, len(x)+s.rate)
	part := s.rate / 20
	place := func(n int) float64 {
		return float64(n) + s.moves*math.Sin(2*math.Pi*float64(n)/float64(7*s.rate))
	}
	for from := 0; from < len(x); from += part {
		speed := (place(from+part) - place(from)) / float64(part)
		y = append(y, timemap.Map{Delay: place(from), Speed: speed}.Resample(x, 0, part)...)
	}
	return y[:len(x)]
}

func convolved(x, h []float64) []float64 {
	length := 1
	for length < len(x)+len(h) {
		length *= 2
	}
	fft := spectra.NewFFT(length)
	padded := make([]float64, length)
	copy(padded, h)
	response := fft.Coefficients(nil, padded)
	clear(padded)
	copy(padded, x)
	bins := fft.Coefficients(nil, padded)
	for k := range bins {
		bins[k] *= response[k] / complex(float64(length), 0)
	}
	return fft.Sequence(padded, bins)[:len(x)]
}

// trueBleedDB is the power of a voice's image in a microphone relative to that in its own, both
// K-weighted.
func (s *scene) trueBleedDB(i, j int) float64 {
	if s.reverberates == nil {
		return s.bleedDB[i][j]
	}
	return s.weighted(s.image(i, j)) - s.weighted(s.image(i, i))
}

// weighted returns the K-weighted power of a sound, in dB.
func (s *scene) weighted(x []float64) float64 {
	y := slices.Clone(x)
	for _, section := range measure.KWeighting(float64(s.rate)) {
		var a, b float64
		for n, v := range y {
			y[n] = section.B0*v + a
			a, b = section.B1*v-section.A1*y[n]+b, section.B2*v-section.A2*y[n]
		}
	}
	return dsp.PowerToDB(vector.SumOfSquares(y))
}

// sounds returns the recordings of the microphones.
func (s *scene) sounds() [][]float64 {
	all := make([][]float64, len(s.voices))
	for j := range all {
		x := make([]float64, len(s.voices[j]))
		for i := range s.voices {
			takes.Add(x, s.image(i, j), 0)
		}
		if s.offset[j] != 0 {
			x = delayed(x, s.offset[j])
		}
		if s.shared != nil {
			takes.Add(x, s.shared, 0)
		}
		if s.driftPPM[j] != 0 {
			x = timemap.Map{Speed: 1 / (1 + s.driftPPM[j]*1e-6)}.Resample(x, 0, len(x))
		}
		noise := takes.Coloured(len(x), s.rate, 1, s.rng)
		level := takes.BandLevel(noise, s.rate, 20, float64(s.rate)/2)
		gain := math.Pow(10, (s.noise[j]-level)/20)
		for n, v := range noise {
			if x[n] += gain * v; s.inverted[j] {
				x[n] = -x[n]
			}
		}
		all[j] = x
	}
	return all
}

var kept [2]takes.Phrases

// phrases returns recorded phrases, or synthetic ones where none are installed.
func phrases(t testing.TB, seed uint64) takes.Phrases {
	if kept[seed%2].Clips != nil && dsptest.IsExhaustive() {
		return kept[seed%2]
	}
	p := takes.Phrases{Rate: 16000}
	if pattern := []string{takes.Readings, takes.SpokenNames}[seed%2]; dsptest.IsExhaustive() {
		p = takes.Spoken(t, pattern)
		for k, clip := range p.Clips { // halves long ones to get enough
			if len(clip) > 3*p.Rate {
				p.Clips[k] = clip[:len(clip)/2]
				p.Clips = append(p.Clips, clip[len(clip)/2:])
			}
		}
	} else {
		for k := range 12 {
			p.Clips = append(p.Clips, dsptest.Speechlike(p.Rate, 1, p.Rate*(2+k%3), seed*100+uint64(k))[0])
		}
	}
	kept[seed%2] = p
	return p
}

// kinds are conditions that make a conversation harder to measure.
var kinds = []struct {
	name   string
	change func(*scene)
}{
	{"clocks", (*scene).clocks},
	{"rooms", func(s *scene) {
		for i := range s.voices {
			s.reverberates = append(s.reverberates, make([]float64, len(s.voices)))
			s.reverberationDB = append(s.reverberationDB, make([]float64, len(s.voices)))
			for j := range s.voices {
				s.reverberates[i][j] = 0.2 + 0.4*s.rng.Float64()
				s.reverberationDB[i][j] = -3 + 6*s.rng.Float64()
				if i == j { // its own microphone is close
					s.reverberationDB[i][j] = -12 - 8*s.rng.Float64()
				}
			}
		}
	}},
	{"heads that move", func(s *scene) { s.moves = 1 + 2*s.rng.Float64() }}, // 2 to 6 cm at 16 kHz
	{"voices at once", func(s *scene) {
		s.talk(phrases(nil, s.seed), len(s.voices[0]), 1.2, 0.3)
		s.clocks()
	}},
	{"noises", func(s *scene) {
		for i := range s.noise {
			s.noise[i] = -75 + 30*s.rng.Float64()
		}
	}},
}

// clocks gives every recorder its own clock, start and polarity.
func (s *scene) clocks() {
	for i := range s.voices {
		s.driftPPM[i] = 160*s.rng.Float64() - 80
		s.offset[i] = 4 * s.rng.Float64() * float64(s.rate)
		s.inverted[i] = s.rng.IntN(2) == 0
	}
}
