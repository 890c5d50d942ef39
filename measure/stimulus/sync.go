package stimulus

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
)

// A signal to be recorded has a mark on each side, by which the recording is found, and a code,
// by which the signal is recognised:
//
//	silence · mark up · pause · code · pause · signal · pause · mark down · silence
//
// A mark is a linear sweep with a large product of time and bandwidth. It is found under noise,
// and its place is read to a small part of a frame.
const (
	leadMs   = 500 // silence, in which the noise is measured
	markMs   = 250
	guardMs  = 150 // for a room or a device to become silent
	symbolMs = 12
	gapMs    = 500 // for a compressor to recover
	tailMs   = 1000
)

// Unless their level is set, marks are as loud as the signal, so that they get through wherever
// the signal does. Their level stays within these bounds, and is the upper one around silence.
const (
	MostMarkDBFS  = -20.0
	LeastMarkDBFS = -80.0
)

// markDBFS is the level of the marks around a signal.
func (m Marked) markDBFS(signal dsp.Block) float64 {
	if m.MarkDBFS != 0 {
		return m.MarkDBFS
	}
	peak := PeakDBFS(signal)
	if math.IsInf(peak, -1) {
		return MostMarkDBFS
	}
	return max(LeastMarkDBFS, min(MostMarkDBFS, peak))
}

// checkMark requires 0, for marks that follow the signal, or a level within the bounds.
func checkMark(dbfs float64) error {
	if dbfs == 0 {
		return nil
	}
	return checkRange("mark_dbfs", dbfs, LeastMarkDBFS, MostMarkDBFS, "dBFS")
}

// CodeBits is the number of symbols of a code: 32 bits of an identity's hash and 8 check bits.
const CodeBits = 40

// Layout is where the parts of a marked signal begin, in frames; SignalEnd is one past the
// signal's last, Frames is the total.
type Layout struct {
	StartMark, Code, Signal, SignalEnd, EndMark, Frames int
	Symbol, Mark, Gap                                   int     // lengths
	MarkDBFS                                            float64 // peak of marks and code
}

// LayoutOf is the layout around a signal of a length in frames, at a rate in Hz.
func LayoutOf(rate, signal int) Layout {
	ms := func(t int) int { return dsp.Frames(float64(t), rate) }
	l := Layout{Symbol: ms(symbolMs), Mark: ms(markMs), Gap: ms(gapMs)}
	l.StartMark = ms(leadMs)
	l.Code = l.StartMark + l.Mark + ms(guardMs)
	l.Signal = l.Code + CodeBits*l.Symbol + l.Gap
	l.SignalEnd = l.Signal + signal
	l.EndMark = l.SignalEnd + l.Gap
	l.Frames = l.EndMark + l.Mark + ms(tailMs)
	return l
}

// Chirp is a linear sweep of full scale 1: a mark, or a symbol of a code.
type Chirp struct {
	Up       bool
	Seconds  float64
	TopHz    float64
	FadeMs   float64
	BottomHz float64
}

// leastMarkRate is the lowest rate in Hz that has room for the marks.
const leastMarkRate = 8000

// MarkChirp is the mark before the signal (up) or after it (down), for a rate in Hz.
func MarkChirp(rate int, up bool) Chirp {
	return Chirp{Up: up, Seconds: markMs / 1000.0, BottomHz: 400, TopHz: min(6000, 0.4*float64(rate)), FadeMs: 20}
}

// SymbolChirp is one bit of the code.
func SymbolChirp(rate int, bit bool) Chirp {
	return Chirp{Up: bit, Seconds: symbolMs / 1000.0, BottomHz: 600, TopHz: min(5000, 0.4*float64(rate)), FadeMs: 2}
}

// Wave is the chirp at a number of frames per second. That need not be whole, since a
// recorder's clock differs from a player's.
func (c Chirp) Wave(framesPerSecond float64) []float64 {
	x := make([]float64, int(math.Round(c.Seconds*framesPerSecond)))
	for n := range x {
		t := float64(n) / framesPerSecond
		from, slope := c.BottomHz, (c.TopHz-c.BottomHz)/c.Seconds
		if !c.Up {
			from, slope = c.TopHz, -slope
		}
		turns := float64(from*t) + float64(slope*t*t/2)
		x[n], _ = dsp.SincosPi(2 * fraction(turns))
		if edge := min(t, c.Seconds-t) * 1000 / c.FadeMs; edge < 1 {
			sin, _ := dsp.SincosPi(max(0, edge) / 2)
			x[n] *= sin * sin
		}
	}
	return x
}

// spell makes the code of an identity's hash: its bits and the check bits.
func spell(hash uint32) (bits [CodeBits]bool) {
	word := uint64(hash)<<8 | uint64(checksum(hash))
	for i := range bits {
		bits[i] = word>>(CodeBits-1-i)&1 == 1
	}
	return bits
}

// Spelled reads a code: its hash, and whether the check bits agree.
func Spelled(bits [CodeBits]bool) (hash uint32, good bool) {
	word := uint64(0)
	for _, b := range bits {
		word <<= 1
		if b {
			word |= 1
		}
	}
	hash = uint32(word >> 8)
	return hash, checksum(hash) == byte(word)
}

// checksum is CRC-8 of a hash (polynomial x⁸+x²+x+1, initial value all ones, so that 0 has a
// checksum other than 0).
func checksum(hash uint32) byte {
	crc := byte(0xFF)
	for shift := 24; shift >= 0; shift -= 8 {
		crc ^= byte(hash >> shift)
		for range 8 {
			high := crc&0x80 != 0
			crc <<= 1
			if high {
				crc ^= 0x07
			}
		}
	}
	return crc
}
