package wave

import (
	"encoding/binary"
	"math"

	"github.com/boothbench/boothbench/dsp"
)

// Overs tells what a Writer had to change to fit its integers.
type Overs struct {
	Count      int64 // samples clamped to full scale
	FirstFrame int64 // of the first one
	Channel    int   // of the first one, from 0
	NonFinite  int64 // NaN or infinite samples, written as 0 or full scale
}

// quantiser turns samples into integers: scale, dither, round to nearest even,
// clamp and count.
type quantiser struct {
	scale     float64
	low, high float64 // what rounds to the smallest and stays below the largest code + 1/2
	shift     uint    // valid bits stand at the top of the container
	dither    []ditherSource
	overs     Overs
	frame     int64 // of the block's first frame
}

func newQuantiser(f Format, kind DitherKind, seed uint64) *quantiser {
	full := float64(uint64(1) << (f.Bits - 1))
	q := &quantiser{scale: full, low: -full - 0.5, high: full - 0.5, shift: uint(f.container()*8 - f.Bits)}
	if kind == TPDF {
		for c := range f.Channels {
			q.dither = append(q.dither, newDither(seed, c))
		}
	}
	return q
}

// roundingMagic added to a number below 2^51 pushes its fraction out of the
// significand, rounding to nearest even.
const roundingMagic = 3 << 51

// integers quantises a channel into codes, left-justified in their container.
func (q *quantiser) integers(codes []int32, plane []float64, channel int) {
	codes = codes[:len(plane)]
	if q.dither != nil {
		d := q.dither[channel]
		for n, x := range plane {
			v := float64(x*q.scale) + d.lsb()
			if v >= q.low && v < q.high {
				codes[n] = int32(math.Float64bits(v+roundingMagic)) << q.shift
			} else {
				codes[n] = q.over(x, n, channel) << q.shift
			}
		}
		q.dither[channel] = d
		return
	}
	for n, x := range plane {
		v := float64(x * q.scale)
		if v >= q.low && v < q.high {
			codes[n] = int32(math.Float64bits(v+roundingMagic)) << q.shift
		} else {
			codes[n] = q.over(x, n, channel) << q.shift
		}
	}
}

// over handles a sample that no code stands for.
func (q *quantiser) over(x float64, n, channel int) int32 {
	if x-x != 0 {
		q.overs.NonFinite++
		if x != x {
			return 0
		}
	}
	frame := q.frame + int64(n)
	if q.overs.Count == 0 || frame < q.overs.FirstFrame {
		q.overs.FirstFrame, q.overs.Channel = frame, channel
	}
	q.overs.Count++
	if x < 0 {
		return int32(-q.scale)
	}
	return int32(q.scale - 1)
}

// pack writes codes of one channel into interleaved bytes.
func pack(raw []byte, codes []int32, channel, channels, container int) {
	at, step := channel*container, channels*container
	switch container {
	case 1:
		for _, v := range codes {
			raw[at] = byte(v + 128)
			at += step
		}
	case 2:
		for _, v := range codes {
			binary.LittleEndian.PutUint16(raw[at:], uint16(v))
			at += step
		}
	case 3:
		for _, v := range codes {
			b := raw[at : at+3 : at+3]
			b[0], b[1], b[2] = byte(v), byte(v>>8), byte(v>>16)
			at += step
		}
	case 4:
		for _, v := range codes {
			binary.LittleEndian.PutUint32(raw[at:], uint32(v))
			at += step
		}
	}
}

// packStereo24 writes two channels of 24 bits, a frame in one store; the store
// reaches two bytes beyond the frame.
func packStereo24(raw []byte, left, right []int32) {
	right = right[:len(left)]
	for n, l := range left {
		binary.LittleEndian.PutUint64(raw, uint64(uint32(l)&0xffffff)|uint64(uint32(right[n]))<<24)
		raw = raw[6:]
	}
}

// packFloat writes floating-point samples of one channel.
func packFloat(raw []byte, plane []float64, channel, channels, bits int) {
	at, step := channel*bits/8, channels*bits/8
	if bits == 64 {
		for _, x := range plane {
			binary.LittleEndian.PutUint64(raw[at:], math.Float64bits(x))
			at += step
		}
		return
	}
	for _, x := range plane {
		binary.LittleEndian.PutUint32(raw[at:], math.Float32bits(float32(x)))
		at += step
	}
}

// encode fills raw, which has slackBytes to spare, with the block's frames.
func (w *Writer) encode(raw []byte, b dsp.Block, from, frames int) {
	if w.format.Encoding == Float {
		for c, plane := range b {
			packFloat(raw, plane[from:from+frames], c, len(b), w.format.Bits)
		}
		return
	}
	container := w.format.container()
	if container == 3 && len(b) == 2 {
		for c, plane := range b {
			w.quantiser.integers(w.codes[c], plane[from:from+frames], c)
		}
		packStereo24(raw, w.codes[0][:frames], w.codes[1][:frames])
	} else {
		for c, plane := range b {
			w.quantiser.integers(w.codes[0], plane[from:from+frames], c)
			pack(raw, w.codes[0][:frames], c, len(b), container)
		}
	}
	w.quantiser.frame += int64(frames)
}
