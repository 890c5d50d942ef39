package wave

import (
	"encoding/binary"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/vector"
)

// encoder turns blocks into the bytes of a format.
type encoder struct {
	quantiser
	float bool
	bytes int // of a sample
}

// stride is the number of frames that are encoded together: few enough for
// their data to stay in the first-level cache.
const stride = 1024

func newEncoder(f Format, kind DitherKind, seed uint64) *encoder {
	e := &encoder{float: f.Encoding == Float, bytes: f.container()}
	if !e.float {
		e.quantiser = newQuantiser(f, kind, seed)
	}
	return e
}

// encode fills raw, which has slackBytes to spare, with frames of the block.
func (e *encoder) encode(raw []byte, b dsp.Block, from, frames int) {
	for frames > 0 {
		n := min(frames, stride)
		e.encodeStride(raw, b, from, n)
		raw = raw[n*e.bytes*len(b):]
		from += n
		frames -= n
		e.frame += int64(n)
	}
}

func (e *encoder) encodeStride(raw []byte, b dsp.Block, from, frames int) {
	if !e.float && (e.bytes == 2 || e.bytes == 3) && len(b) <= 2 {
		e.packFew(raw, b, from, frames)
		return
	}
	step := len(b) * e.bytes
	for c, plane := range b {
		plane, raw := plane[from:from+frames], raw[c*e.bytes:]
		switch {
		case e.float && e.bytes == 8:
			e.pack64f(raw, plane, step)
		case e.float:
			e.pack32f(raw, plane, step, c)
		default:
			e.pack(raw, plane, step, c)
		}
	}
}

// pack rounds, and writes a sample each step bytes.
func (e *encoder) pack(raw []byte, plane []float64, step, c int) {
	q := &e.quantiser
	samples, scale := q.dithered(plane, c)
	bias, span, full, shift, bytes := q.bias, q.span, q.full, q.shift, e.bytes
	for n, x := range samples {
		u := index(x, scale, bias)
		if u >= span {
			u = q.over(plane[n], n, c)
		}
		put(raw[n*step:], u, full, shift, bytes)
	}
}

// put writes the code of an index: unsigned in one byte, where 128 is 0, and signed in
// more.
func put(raw []byte, u, full uint64, shift uint, bytes int) {
	v := uint32(u-full) << (shift & 31)
	switch bytes {
	case 1:
		raw[0] = byte(u)
	case 2:
		binary.LittleEndian.PutUint16(raw, uint16(v))
	case 3:
		raw[0], raw[1], raw[2] = byte(v), byte(v>>8), byte(v>>16)
	default:
		binary.LittleEndian.PutUint32(raw, v)
	}
}

// packFew packs one or two channels, fours of frames at a time as long as every sample
// has a code.
func (e *encoder) packFew(raw []byte, b dsp.Block, from, frames int) {
	q := &e.quantiser
	var whole, samples [2][]float64
	scale := 1.0
	for c := range b {
		whole[c] = b[c][from : from+frames]
		samples[c], scale = q.dithered(whole[c], c)
	}
	packing := vector.Packing{Scale: scale, Magic: roundingMagic, Bias: q.bias, Span: q.span, Full: q.full, Shift: uint64(q.shift), Width: e.bytes}
	for n := 0; n < frames; {
		var right []float64
		if len(b) == 2 {
			right = samples[1][n:]
		}
		at := n * e.bytes * len(b)
		if packed := packing.Frames(raw[at:], samples[0][n:], right); packed > 0 {
			n += packed
			continue
		}
		for until := min(frames, n+fewFrames); n < until; n++ {
			for c := range b {
				u := index(samples[c][n], scale, q.bias)
				if u >= q.span {
					u = q.over(whole[c][n], n, c)
				}
				put(raw[at:], u, q.full, q.shift, e.bytes)
				at += e.bytes
			}
		}
	}
}

// fewFrames are packed one by one where a sample has no code, and at the end: clipped
// samples follow on each other.
const fewFrames = 16

// pack32f clamps what 32-bit floating point would make infinite.
func (e *encoder) pack32f(raw []byte, plane []float64, step, c int) {
	at := 0
	for n, x := range plane {
		if !(math.Abs(x) <= math.MaxFloat32) {
			if x-x != 0 {
				e.overs.NonFinite++
			} else {
				e.countOver(n, c)
				x = math.Copysign(math.MaxFloat32, x)
			}
		}
		binary.LittleEndian.PutUint32(raw[at:], math.Float32bits(float32(x)))
		at += step
	}
}

func (e *encoder) pack64f(raw []byte, plane []float64, step int) {
	at := 0
	for _, x := range plane {
		if x-x != 0 {
			e.overs.NonFinite++
		}
		binary.LittleEndian.PutUint64(raw[at:], math.Float64bits(x))
		at += step
	}
}
