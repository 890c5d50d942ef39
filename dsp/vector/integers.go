package vector

import (
	"encoding/binary"
	"math"
)

// Unpack converts frames of little-endian integers of 2, 3 or 4 bytes to samples with
// full scale 1.0: of one channel, or of two where right has frames. raw has 8 bytes of any
// value behind the last frame.
func Unpack(left, right []float64, raw []byte, width int) {
	channels := 1
	if len(right) > 0 {
		right = right[:len(left)]
		channels = 2
	}
	if need := len(left)*channels*width + 8; len(raw) < need {
		panic("vector: less than 8 bytes behind the last frame")
	}
	if fours := len(left) * channels / 4; hasAVX && fours > 0 {
		order := &unpacking[width-2][channels-1]
		frames := 4 * fours / channels
		if channels == 1 {
			unpackAVX(&left[0], &left[2], &raw[0], order, 4*width, 32, fours)
		} else {
			unpackAVX(&left[0], &right[0], &raw[0], order, 4*width, 16, fours)
			right = right[frames:]
		}
		left, raw = left[frames:], raw[4*fours*width:]
	}
	unpack(left, right, raw, width)
}

func unpack(left, right []float64, raw []byte, width int) {
	const scale = 1.0 / (1 << 31) // of what is read into the top of 32 bits
	switch {
	case width == 3 && len(right) > 0: // one load a frame
		for n := range left {
			frame := binary.LittleEndian.Uint64(raw)
			raw = raw[6:]
			left[n] = float64(int32(frame<<8)) * scale
			right[n] = float64(int32(frame>>16&^0xff)) * scale
		}
	case width == 3:
		for n := range left {
			left[n] = float64(int32(binary.LittleEndian.Uint32(raw)<<8)) * scale
			raw = raw[3:]
		}
	default:
		// The first byte is the lowest of a word that reaches as far as the sample.
		shift := 8 * (4 - width)
		for n := range left {
			left[n] = float64(int32(binary.LittleEndian.Uint32(raw)<<shift)) * scale
			raw = raw[width:]
			if len(right) > 0 {
				right[n] = float64(int32(binary.LittleEndian.Uint32(raw)<<shift)) * scale
				raw = raw[width:]
			}
		}
	}
}

// unpacking puts four samples into words, each at the top: by width from 2 and by
// channels from 1. Of two channels two samples of each follow on each other.
var unpacking = func() (all [3][2][16]byte) {
	for w := range all {
		width := w + 2
		for channels := 1; channels <= 2; channels++ {
			order := &all[w][channels-1]
			for word := range 4 {
				sample := word
				if channels == 2 {
					sample = word%2*2 + word/2
				}
				for byte := range 4 {
					at := &order[4*word+byte]
					*at = 0x80 // zero
					if from := byte - (4 - width); from >= 0 {
						*at = uint8(sample*width + from)
					}
				}
			}
		}
	}
	return all
}()

// Packing are the constants by which Frames packs samples into integers.
type Packing struct {
	Scale float64 // of the samples
	Magic float64 // added to a number, it rounds it to a whole one
	Bias  uint64  // the bits of that sum less the number of the code, counted from 0
	Span  uint64  // the number of codes, a power of 2
	Full  uint64  // the number of the code 0
	Shift uint64  // of the code in its container
	Width int     // of a container, in bytes: 2 or 3
}

// Frames packs frames of one channel, or of two where right has frames, as long as
// every sample has a code, and returns how many it packed, in whole fours. raw has 16
// bytes to spare behind the last frame.
func (p *Packing) Frames(raw []byte, left, right []float64) (packed int) {
	left = left[:len(left)&^3]
	if len(left) == 0 {
		return 0
	}
	if len(right) > 0 {
		right = right[:len(left)]
	}
	width := p.frameWidth(right)
	if need := len(left)*width + 16; len(raw) < need {
		panic("vector: less than 16 bytes behind the last frame")
	}
	if !hasAVX2 {
		return p.frames(raw, left, right)
	}
	second := &left[0]
	k := packConstants{
		scale: p.Scale, magic: p.Magic, bias: p.Bias, beyond: ^(p.Span - 1), full: p.Full, container: 1<<(8*p.Width) - 1,
		shift: p.Shift, second: 64, step: 2 * uint64(width), order: packing[width-2],
	}
	if len(right) > 0 {
		second, k.second = &right[0], uint64(8*p.Width)
	}
	return len(left) - 4*packAVX2(&raw[0], &left[0], second, len(left)/4, &k)
}

func (p *Packing) frameWidth(right []float64) int {
	if len(right) > 0 {
		return 2 * p.Width
	}
	return p.Width
}

func (p *Packing) frames(raw []byte, left, right []float64) int {
	width, container := p.frameWidth(right), uint64(1)<<(8*p.Width)-1
	for n, x := range left {
		word := math.Float64bits(float64(x*p.Scale)+p.Magic) - p.Bias
		if word >= p.Span {
			return n &^ 3
		}
		word = (word - p.Full) << p.Shift & container
		if len(right) > 0 {
			v := math.Float64bits(float64(right[n]*p.Scale)+p.Magic) - p.Bias
			if v >= p.Span {
				return n &^ 3
			}
			word |= (v - p.Full) << p.Shift & container << (8 * p.Width)
		}
		binary.LittleEndian.PutUint64(raw, word)
		raw = raw[width:]
	}
	return len(left)
}

// packConstants are the constants that the assembly loads: see there.
type packConstants struct {
	scale, magic                                       float64
	bias, beyond, full, container, shift, second, step uint64
	order                                              [16]byte
}

// packing puts the lowest bytes of two words together, by how many, from 2.
var packing = func() (all [5][16]byte) {
	for k := range all {
		for i := range all[k] {
			all[k][i] = 0x80
			if bytes := k + 2; i < 2*bytes {
				all[k][i] = uint8(i/bytes*8 + i%bytes)
			}
		}
	}
	return all
}()
