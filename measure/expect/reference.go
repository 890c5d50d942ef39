package expect

import (
	"encoding/base64"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
)

// A reference stands for the samples of a whole sound in a thousandth of their size.
// It keeps, of each block of 24 ms and channel, three sums of the samples: with signs
// that look random, and with the same signs times the place in the block, from −1 to 1,
// and times its square. Sums are linear, so those of two sounds differ by the sums of
// their difference, and nothing in the sounds themselves hides it: a sample that
// changed by d changes the first sum by exactly ±d, the second one says where in the
// block it lies, and the third whether it was one sample. Of any difference the squares
// of the sums are, in the mean over signs, its energy. (Linear sketches with random
// signs: Alon, Matias and Szegedy, JCSS 58, 1999; projections keep distances: Johnson
// and Lindenstrauss, 1984. Read second-hand.)
type reference struct {
	blockFrames int
	channels    [][]sums // of each channel, block after block
}

// sums are those of one block: with signs alone, times the place, times its square.
type sums [3]float64

const (
	referenceMs   = 24    // three sums in it make 30 kB a minute and channel, 40 kB as text
	sumBytes      = 3 * 4 // as 32-bit floating point: rounded 170 dB under a sound of -20 dBFS
	meanSecondSum = 3     // the mean of the place's square over a block is 1/3
)

func referenceFrames(rate int) int { return max(1, rate*referenceMs/1000) }

// signBit looks random and is the same for ever: the mixer of SplitMix64 (Steele, Lea
// and Flood 2014) of the frame's number.
func signBit(frame int64) uint64 {
	z := (uint64(frame) + 1) * 0x9e3779b97f4a7c15
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return (z ^ z>>31) >> 63
}

func sign(frame int64) float64 { return 1 - 2*float64(signBit(frame)) }

// placeIn is a frame's place in its block, from −1 to 1.
func placeIn(frame int64, blockFrames int) float64 {
	middle := float64(blockFrames-1) / 2
	return (float64(frame%int64(blockFrames)) - middle) / max(0.5, middle)
}

// sketcher makes a reference block by block.
type sketcher struct {
	reference
	frame int64 // the next one
	open  []sums
}

func newSketcher(rate, channels int) *sketcher {
	return &sketcher{reference: reference{referenceFrames(rate), make([][]sums, channels)}, open: make([]sums, channels)}
}

func (s *sketcher) write(b dsp.Block) {
	for n := range b.Frames() {
		at := placeIn(s.frame, s.blockFrames)
		sign := sign(s.frame)
		for c := range b {
			v := sign * b[c][n]
			o := &s.open[c]
			o[0] += v
			o[1] += float64(v * at)
			o[2] += float64(float64(v*at) * at)
		}
		if s.frame++; s.frame%int64(s.blockFrames) == 0 {
			s.closeBlock()
		}
	}
}

func (s *sketcher) closeBlock() {
	for c, o := range s.open {
		for k := range o { // as the file holds it: then equal sounds have equal sums
			o[k] = float64(float32(o[k]))
		}
		s.channels[c] = append(s.channels[c], o)
		s.open[c] = sums{}
	}
}

// end closes the last block, which may be short.
func (s *sketcher) end() *reference {
	if s.frame%int64(s.blockFrames) != 0 {
		s.closeBlock()
	}
	return &s.reference
}

// MarshalJSON writes the sums of all blocks, channel after channel, as base64 of
// little-endian 32-bit floating point.
func (r *reference) MarshalJSON() ([]byte, error) {
	var raw []byte
	for _, blocks := range r.channels {
		for _, b := range blocks {
			for _, v := range b {
				raw = binary.LittleEndian.AppendUint32(raw, math.Float32bits(float32(v)))
			}
		}
	}
	return json.Marshal(base64.StdEncoding.EncodeToString(raw))
}

// UnmarshalJSON reads what MarshalJSON writes, all channels as one: shape parts them.
func (r *reference) UnmarshalJSON(text []byte) error {
	var encoded string
	if err := json.Unmarshal(text, &encoded); err != nil {
		return err
	}
	raw, err := base64.StdEncoding.DecodeString(encoded)
	if err != nil {
		return err
	}
	if len(raw)%sumBytes != 0 {
		return fmt.Errorf("reference: found %d bytes, accepted: a multiple of %d", len(raw), sumBytes)
	}
	r.channels = [][]sums{make([]sums, 0, len(raw)/sumBytes)}
	for ; len(raw) > 0; raw = raw[sumBytes:] {
		var b sums
		for k := range b {
			b[k] = float64(math.Float32frombits(binary.LittleEndian.Uint32(raw[4*k:])))
			if b[k]-b[k] != 0 {
				return fmt.Errorf("reference: found a sum that is no finite number")
			}
		}
		r.channels[0] = append(r.channels[0], b)
	}
	return nil
}

// shape parts the channels of what was read. It is false where the number of blocks is
// not that of the sound.
func (r *reference) shape(rate, channels int, frames int64) bool {
	r.blockFrames = referenceFrames(rate)
	each := int((frames + int64(r.blockFrames) - 1) / int64(r.blockFrames))
	if len(r.channels) != 1 || len(r.channels[0]) != each*channels {
		return false
	}
	all := r.channels[0]
	r.channels = make([][]sums, channels)
	for c := range r.channels {
		r.channels[c] = all[c*each : (c+1)*each]
	}
	return true
}

// packed are levels to a hundredth of a dB, as base64 of 16-bit integers.
type packed []float64

// asPacked is a level as a baseline holds it, to 0.01 dB: what is compared with one has to
// be rounded as it is.
func asPacked(dbfs float64) float64 {
	return math.Round(max(silentDBFS, min(dbfs, 300))*100) / 100
}

func (p packed) MarshalJSON() ([]byte, error) {
	raw := make([]byte, 0, 2*len(p))
	for _, v := range p {
		raw = binary.LittleEndian.AppendUint16(raw, uint16(int16(math.Round(100*asPacked(v)))))
	}
	return json.Marshal(base64.StdEncoding.EncodeToString(raw))
}

func (p *packed) UnmarshalJSON(text []byte) error {
	var encoded string
	if err := json.Unmarshal(text, &encoded); err != nil {
		return err
	}
	raw, err := base64.StdEncoding.DecodeString(encoded)
	if err != nil || len(raw)%2 != 0 {
		return fmt.Errorf("levels: found no list of 16-bit numbers in base64")
	}
	for ; len(raw) > 0; raw = raw[2:] {
		*p = append(*p, float64(int16(binary.LittleEndian.Uint16(raw)))/100)
	}
	return nil
}
