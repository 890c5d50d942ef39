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

// levels are the K-weighted levels of one microphone over time.
type levels struct {
	Microphone
	rate    int // Hz
	frames  int64
	profile measure.LoudnessProfile // energy of every 100 ms
	sums    []float64               // energy from the beginning to each 20 ms
	digest  uint64                  // of all samples' bits
	// Mean squares of 100 ms: the level that 3 % are below, as dense talk has few pauses, and
	// the level that 5 % exceed.
	floor, top float64
	halfStep   float64 // half a quantisation step of the format: smaller samples may have become 0
}

// digestSeed is the same for all microphones, as their digests are compared.
var digestSeed = maphash.MakeSeed()

// levelsOf reads a microphone once.
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
		l.halfStep = math.Ldexp(1, -24) // of the converter before it
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
		// For a voice that speaks seldom, the level that fewer exceed, down to one second.
		for part := 20; part == 20 || l.top < leastRange*l.floor && len(powers)/part >= 10; part *= 2 {
			l.top = powers[len(powers)-1-len(powers)/part] / hop
		}
	}
	return l, nil
}

// hopsPerSecond is the resolution of the levels over time: a word ends within 20 ms.
const hopsPerSecond = 50

// energies sums up the K-weighted energy of a sound over time.
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
					if math.Abs(v) < 1e-150 { // long before a denormal number, which is slow
						e.states[k][n] = 0
					}
				}
			}
		}
	}
}

// energyUntil is the energy from the beginning to a place, interpolated within each 20 ms.
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

// power is the mean square of a number of frames from a place on.
func (l *levels) power(from float64, frames int) float64 {
	return max(0, l.energyUntil(from+float64(frames))-l.energyUntil(from)) / float64(frames)
}

// windowFrames is the length of the windows that the bleed is read from: the power of two
// that is at least a quarter of a second, so that they hold the first echoes.
func windowFrames(rate int) int {
	length := 256
	for length < rate/4 {
		length *= 2
	}
	return length
}

// shortFrames is the length of the windows that the delay is read from. More of them
// than of long ones fit between the words of others: of a quiet voice that speaks single
// words, the long windows hold less than half.
func shortFrames(rate int) int { return windowFrames(rate) / 4 }
