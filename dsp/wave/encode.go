package wave

import (
	"encoding/binary"
	"math"

	"github.com/boothbench/boothbench/dsp"
)

// encoder turns blocks into the bytes of a format.
type encoder struct {
	quantiser
	float bool
	bytes int // of a sample
}

// stride is the number of frames that are encoded together: few enough for
// all that is needed of them to stay in the fastest cache.
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
	if e.bytes == 3 && len(b) == 2 {
		e.pack24stereo(raw, b[0][from:from+frames], b[1][from:from+frames])
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
		case e.bytes == 1:
			e.pack8(raw, plane, step, c)
		case e.bytes == 2:
			e.pack16(raw, plane, step, c)
		case e.bytes == 3:
			e.pack24(raw, plane, step, c)
		default:
			e.pack32(raw, plane, step, c)
		}
	}
}

// The pack functions round, and write a sample each step bytes.

func (e *encoder) pack8(raw []byte, plane []float64, step, c int) {
	q, at := &e.quantiser, 0
	samples, scale := q.dithered(plane, c)
	for n, x := range samples {
		u := index(x, scale, q.bias)
		if u >= q.span {
			u = q.over(plane[n], n, c)
		}
		raw[at] = byte(u) // unsigned: 128 is 0
		at += step
	}
}

func (e *encoder) pack16(raw []byte, plane []float64, step, c int) {
	q, at := &e.quantiser, 0
	samples, scale := q.dithered(plane, c)
	for n, x := range samples {
		u := index(x, scale, q.bias)
		if u >= q.span {
			u = q.over(plane[n], n, c)
		}
		binary.LittleEndian.PutUint16(raw[at:], uint16(u-q.full)<<(q.shift&15))
		at += step
	}
}

func (e *encoder) pack24(raw []byte, plane []float64, step, c int) {
	q, at := &e.quantiser, 0
	samples, scale := q.dithered(plane, c)
	for n, x := range samples {
		u := index(x, scale, q.bias)
		if u >= q.span {
			u = q.over(plane[n], n, c)
		}
		v := uint32(u-q.full) << (q.shift & 31)
		b := raw[at : at+3 : at+3]
		b[0], b[1], b[2] = byte(v), byte(v>>8), byte(v>>16)
		at += step
	}
}

// pack24stereo writes a frame in one store; the store reaches two bytes beyond
// the frame.
func (e *encoder) pack24stereo(raw []byte, left, right []float64) {
	q := &e.quantiser
	l, scale := q.dithered(left, 0)
	r, _ := q.dithered(right, 1)
	r = r[:len(l)]
	bias, span, full, shift := q.bias, q.span, q.full, q.shift&31
	for n, x := range l {
		u, v := index(x, scale, bias), index(r[n], scale, bias)
		if u >= span {
			u = q.over(left[n], n, 0)
		}
		if v >= span {
			v = q.over(right[n], n, 1)
		}
		binary.LittleEndian.PutUint64(raw, (u-full)<<shift&0xffffff|(v-full)<<shift&0xffffff<<24)
		raw = raw[6:]
	}
}

func (e *encoder) pack32(raw []byte, plane []float64, step, c int) {
	q, at := &e.quantiser, 0
	samples, scale := q.dithered(plane, c)
	for n, x := range samples {
		u := index(x, scale, q.bias)
		if u >= q.span {
			u = q.over(plane[n], n, c)
		}
		binary.LittleEndian.PutUint32(raw[at:], uint32(u-q.full)<<(q.shift&31))
		at += step
	}
}

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
