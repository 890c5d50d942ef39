package conversation

import (
	"context"
	"encoding/binary"
	"hash/maphash"
	"math"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/planes"
)

// levels holds the K-weighted levels of one microphone over time.
type levels struct {
	Microphone
	rate    int // Hz
	frames  int64
	profile measure.LoudnessProfile // energy of every 100 ms
	sums    []float64               // energy from the start to each 20 ms
	digest  uint64                  // of the bits of all samples
	// Mean squares of 100 ms: floor is not reached by 3 % of them, as dense talk has few
	// pauses, and top is exceeded by 5 %.
	floor, top float64
	halfStep   float64 // half a quantisation step of the format: smaller samples may have been rounded to 0
}

// digestSeed is the same for all microphones, because their digests are compared.
var digestSeed = maphash.MakeSeed()

// levelsOf reads a microphone's sound once.
func levelsOf(mic Microphone) (*levels, error) {
	src, err := mic.Open()
	if err != nil {
		return nil, err
	}
	defer planes.Close(src)
	f := src.Format()
	if mic.Channel >= f.Channels {
		return nil, &FormatError{mic.Name, "found " + dsp.Plural(f.Channels, "channel") + "; accepted: the channel that was named"}
	}
	loudness, err := measure.NewLoudness(measure.LoudnessSettings{Rate: f.Rate, Channels: 1})
	if err != nil {
		return nil, &FormatError{mic.Name, err.Error()}
	}
	l := &levels{Microphone: mic, rate: f.Rate, halfStep: math.Ldexp(1, -f.Bits)}
	if f.Encoding == wave.Float {
		l.halfStep = math.Ldexp(1, -24) // of the converter before it, assumed to have 24 bits
	}
	energies := newEnergies(f.Rate)
	var digest maphash.Hash
	digest.SetSeed(digestSeed)
	var bytes []byte
	bad := int64(-1)
	err = measure.EachBlock(context.Background(), src, func(b dsp.Block) {
		one := b[mic.Channel : mic.Channel+1]
		if at := planes.FirstNonFinite(one); at >= 0 && bad < 0 {
			bad = l.frames + int64(at)
		}
		bytes = bytes[:0]
		for _, v := range one[0] {
			bytes = binary.LittleEndian.AppendUint64(bytes, math.Float64bits(v))
		}
		digest.Write(bytes)
		l.frames += int64(b.Frames())
		loudness.Write(one)
		energies.write(one[0])
	})
	if err != nil {
		return nil, err
	}
	if bad >= 0 {
		return nil, &FormatError{mic.Name, "found a sample that is NaN or infinite"}
	}
	l.digest, l.profile, l.sums = digest.Sum64(), loudness.Profile(), energies.sums
	if powers := slices.Clone(l.profile.Energies); len(powers) > 0 {
		slices.Sort(powers)
		hop := float64(l.rate) / 10
		l.floor = powers[len(powers)/33] / hop
		// For a voice that speaks rarely, top is a level that fewer exceed, down to one second
		// in all.
		for part := 20; part == 20 || l.top < leastRange*l.floor && len(powers)/part >= 10; part *= 2 {
			l.top = powers[len(powers)-1-len(powers)/part] / hop
		}
	}
	return l, nil
}

// hopsPerSecond is the resolution of the levels over time: a word ends within 20 ms.
const hopsPerSecond = 50

// energies sums the K-weighted energy of a sound over time.
type energies struct {
	rate     int
	sections [2]dsp.Biquad
	states   [2][2]float64 // of the sections
	frames   int
	sum      float64
	sums     []float64
}

func newEnergies(rate int) *energies {
	return &energies{rate: rate, sections: measure.KWeighting(float64(rate)), sums: []float64{0}}
}

func (e *energies) write(x []float64) {
	for _, v := range x {
		for k, s := range e.sections {
			y := s.B0*v + e.states[k][0]
			e.states[k] = [2]float64{s.B1*v - s.A1*y + e.states[k][1], s.B2*v - s.A2*y}
			v = y
		}
		e.sum += v * v
		if e.frames++; e.frames*hopsPerSecond >= len(e.sums)*e.rate {
			e.sums = append(e.sums, e.sum)
			for k := range e.states {
				for n, v := range e.states[k] {
					if math.Abs(v) < 1e-150 { // avoids denormal numbers, which are slow
						e.states[k][n] = 0
					}
				}
			}
		}
	}
}

// energyUntil returns the energy from the start up to a frame, interpolated within each 20 ms.
func (l *levels) energyUntil(frame float64) float64 {
	hop := frame * hopsPerSecond / float64(l.rate)
	if hop <= 0 {
		return 0
	}
	whole := int(hop)
	if whole >= len(l.sums)-1 {
		return l.sums[len(l.sums)-1]
	}
	return l.sums[whole] + (hop-float64(whole))*(l.sums[whole+1]-l.sums[whole])
}

// power returns the mean square of a number of frames from a place on.
func (l *levels) power(from float64, frames int) float64 {
	return max(0, l.energyUntil(from+float64(frames))-l.energyUntil(from)) / float64(frames)
}

// windowFrames returns the length of the long windows, from which the bleed is measured: the
// power of two that is at least a quarter of a second, so that they contain the first echoes.
func windowFrames(rate int) int {
	length := 256
	for length < rate/4 {
		length *= 2
	}
	return length
}

// shortFrames returns the length of the short windows, from which the delay is measured. More
// short windows than long ones fit between the words of others. For a quiet voice that speaks
// single words, the long windows contain less than half of it.
func shortFrames(rate int) int { return windowFrames(rate) / 4 }
