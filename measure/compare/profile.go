package compare

import (
	"errors"
	"fmt"
	"hash/maphash"
	"io"
	"math"
	"unsafe"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/vector"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/internal/planes"
)

// profile is where the loud parts of a sound are.
type profile struct {
	format wave.Format
	frames int64
	energy [][]float64 // by channel and block, of the differences from frame to frame
	digest uint64      // of all samples' bits
	tops   []tops      // by channel
}

// tops are the samples of a channel at its largest |sample|.
type tops struct {
	largest     float64
	samples     int64
	runs        int64 // how many of them follow on another one
	first, last int64 // frames
}

func (t *tops) add(frame int64, v float64) {
	if size := math.Abs(v); size > t.largest {
		*t = tops{largest: size, samples: 1, first: frame, last: frame}
	} else if t.samples++; frame == t.last+1 {
		t.runs++
		t.last = frame
	} else {
		t.last = frame
	}
}

// areCut reports whether the sound rests at its largest value again and again, as where its
// tops are cut off. A peak that is rounded rests there once.
func (t tops) areCut() bool {
	return t.samples >= leastClips && float64(t.runs) >= leastResting*float64(t.samples)
}

// profileFrames is the length of a profile's blocks.
const profileFrames = 8192

// digestSeed is one for all profiles, which are only held against each other.
var digestSeed = maphash.MakeSeed()

// profileOf reads a sound once. The differences from frame to frame count: they
// weigh high frequencies up, by which a delay is found best.
func profileOf(open func() (wave.Source, error)) (*profile, error) {
	src, err := open()
	if err != nil {
		return nil, err
	}
	defer planes.Close(src)
	p := &profile{format: src.Format(), energy: make([][]float64, src.Format().Channels), tops: make([]tops, src.Format().Channels)}
	b := dsp.NewBlock(p.format.Channels, profileFrames)
	last := make([]float64, p.format.Channels)
	var digest maphash.Hash
	digest.SetSeed(digestSeed)
	change := make([]float64, profileFrames)
	for {
		n, err := planes.ReadFull(src, b)
		if n > 0 {
			if frame := planes.FirstBeyond(b, n, mostCompared); frame >= 0 {
				return nil, &IncomparableError{Frame: p.frames + int64(frame)}
			}
			for c := range b {
				x, before, t := b[c][:n], last[c], &p.tops[c]
				for i, v := range x {
					change[i] = v - before
					before = v
					if v >= t.largest || -v >= t.largest {
						t.add(p.frames+int64(i), v)
					}
				}
				last[c] = before
				p.energy[c] = append(p.energy[c], vector.SumOfSquares(change[:n]))
				digest.Write(unsafe.Slice((*byte)(unsafe.Pointer(&x[0])), 8*n)) // its bits as they lie: the digest stays here
			}
			p.frames += int64(n)
		}
		if errors.Is(err, io.EOF) {
			p.digest = digest.Sum64()
			return p, nil
		}
		if err != nil {
			return nil, err
		}
	}
}

// An IncomparableError states the sample with which no difference can be taken.
type IncomparableError struct {
	Sound int // 0: A, 1: B
	Frame int64
}

func (e *IncomparableError) Error() string {
	return fmt.Sprintf("found a sample at frame %d that is not a number, infinite or larger than %g; accepted: numbers up to that", e.Frame, mostCompared)
}

// mostCompared is the largest |sample| that is compared: the squares of all sums of
// such samples are finite.
const mostCompared = 1e100

// silent reports whether nothing changes in any channel.
func (p *profile) silent() bool {
	for _, e := range p.energy {
		if planes.Sum(e) > 0 {
			return false
		}
	}
	return true
}

// loudestInBoth is the channel with the largest product of energies: in one that is
// silent in either sound, nothing is found.
func loudestInBoth(a, b *profile) int {
	best, most := 0, -1.0
	for c := range a.energy {
		if e := math.Sqrt(planes.Sum(a.energy[c])) * math.Sqrt(planes.Sum(b.energy[c])); e > most {
			best, most = c, e
		}
	}
	return best
}

// loudestStretch is where a number of frames has the most energy in a channel, from
// one frame to another.
func (p *profile) loudestStretch(channel int, frames, from, to int64) (begin int64, energy float64) {
	first, last := int(from/profileFrames), min(len(p.energy[channel]), int((to+profileFrames-1)/profileFrames))
	width := max(1, int(frames/profileFrames))
	begin = from
	energy = -1
	for i := first; i+width <= last || i == first; i++ {
		if e := planes.Sum(p.energy[channel][i:min(last, i+width)]); e > energy {
			energy, begin = e, max(from, int64(i)*profileFrames)
		}
	}
	return begin, energy
}
