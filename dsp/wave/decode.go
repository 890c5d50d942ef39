package wave

import (
	"encoding/binary"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/vector"
)

// A decoder turns frames of bytes into the samples from..from+frames of each
// plane. raw has slackBytes of any value behind the last frame.
type decoder func(b dsp.Block, from, frames int, raw []byte)

// decoderFor chooses the decoder of a format.
func decoderFor(f Format) decoder {
	switch {
	case f.Encoding == Float && f.Bits == 64:
		return decode64f
	case f.Encoding == Float:
		return decode32f
	}
	switch f.container() {
	case 1:
		return decode8
	case 2:
		return decodeFew(f, decode16)
	case 3:
		return decodeFew(f, decode24)
	}
	return decodeFew(f, decode32)
}

// decodeFew is a decoder for one and two channels, and the other one for more.
func decodeFew(f Format, more decoder) decoder {
	width := f.container()
	switch f.Channels {
	case 1:
		return func(b dsp.Block, from, frames int, raw []byte) {
			vector.Unpack(b[0][from:from+frames], nil, raw, width)
		}
	case 2:
		return func(b dsp.Block, from, frames int, raw []byte) {
			vector.Unpack(b[0][from:from+frames], b[1][from:from+frames], raw, width)
		}
	}
	return more
}

// Samples of fewer valid bits stand at the top of their container, so the
// container's full scale is theirs.
const (
	scale8  = 1.0 / (1 << 7)
	scale16 = 1.0 / (1 << 15)
	scale24 = 1.0 / (1 << 31) // read into the top of 32 bits
	scale32 = 1.0 / (1 << 31)
)

func decode8(b dsp.Block, from, frames int, raw []byte) {
	for c := range b {
		plane, at := b[c][from:from+frames], c
		for n := range plane {
			plane[n] = float64(int(raw[at])-128) * scale8
			at += len(b)
		}
	}
}

func decode16(b dsp.Block, from, frames int, raw []byte) {
	for c := range b {
		plane, at, step := b[c][from:from+frames], 2*c, 2*len(b)
		for n := range plane {
			plane[n] = float64(int16(binary.LittleEndian.Uint16(raw[at:]))) * scale16
			at += step
		}
	}
}

func decode24(b dsp.Block, from, frames int, raw []byte) {
	for c := range b {
		plane, at, step := b[c][from:from+frames], 3*c, 3*len(b)
		for n := range plane {
			plane[n] = float64(int32(binary.LittleEndian.Uint32(raw[at:])<<8)) * scale24
			at += step
		}
	}
}

func decode32(b dsp.Block, from, frames int, raw []byte) {
	for c := range b {
		plane, at, step := b[c][from:from+frames], 4*c, 4*len(b)
		for n := range plane {
			plane[n] = float64(int32(binary.LittleEndian.Uint32(raw[at:]))) * scale32
			at += step
		}
	}
}

func decode32f(b dsp.Block, from, frames int, raw []byte) {
	for c := range b {
		plane, at, step := b[c][from:from+frames], 4*c, 4*len(b)
		for n := range plane {
			plane[n] = float64(math.Float32frombits(binary.LittleEndian.Uint32(raw[at:])))
			at += step
		}
	}
}

func decode64f(b dsp.Block, from, frames int, raw []byte) {
	for c := range b {
		plane, at, step := b[c][from:from+frames], 8*c, 8*len(b)
		for n := range plane {
			plane[n] = math.Float64frombits(binary.LittleEndian.Uint64(raw[at:]))
			at += step
		}
	}
}
