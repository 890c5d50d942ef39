package tune

import (
	"math"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/vector"
)

// soundSample passes a part of a take to readings that are slow. It passes the first 30 s of
// the take, then everything that sounds until 30 s of such sound were passed, and after that
// one second in twelve of it. It decides for quarters of a second: one sounds if its loudest 50
// ms are within 25 dB of the loudest quarters so far, and at least 6 dB above the quietest. So
// the amount passed depends on the amount of speech, not on the length of the pauses. (own
// choice)
type soundSample struct {
	write  func(dsp.Block)
	rate   int
	frame  int64 // frames so far
	piece  dsp.Block
	passed [sampleLevels]int // number of pieces passed on, by level
	parts  []int32           // numbers of the pieces passed on
	levels []float64         // levels of the loudest pieces so far, dBFS, the loudest first
	least  float64           // level of the quietest piece so far that was not silent
	beyond int               // pieces that sounded after the first 30 s of such
}

const (
	sampleMs, sampleFrameMs  = 250, 50
	sampleFirst, sampleOneIn = 30, 12 // s
	sampleUnderDB            = 25
	sampleOverDB, silentDBFS = 6, -120
	sampleLevels             = 200
	piecesASecond            = 1000 / sampleMs
	loudestPieces            = piecesASecond // more than one, so that a single slam does not decide
	leastSoundDBFS           = -sampleLevels
)

func newSoundSample(rate, channels int, write func(dsp.Block)) *soundSample {
	return &soundSample{write: write, rate: rate, piece: make(dsp.Block, channels), least: math.Inf(1)}
}

// add processes the next block of the take.
func (s *soundSample) add(b dsp.Block) {
	length := s.rate * sampleMs / 1000
	for from := 0; from < b.Frames(); {
		n := min(b.Frames()-from, length-s.piece.Frames())
		for c := range b {
			s.piece[c] = append(s.piece[c], b[c][from:from+n]...)
		}
		from += n
		if s.piece.Frames() == length {
			s.end()
		}
	}
}

// end passes the piece on or leaves it out. The caller calls it once more at the end of the
// take.
func (s *soundSample) end() {
	if s.piece.Frames() == 0 {
		return
	}
	if level := s.level(); s.counts(level) {
		s.passed[sampleLevel(level)]++
		s.parts = append(s.parts, int32(s.frame/int64(s.rate*sampleMs/1000)))
		s.write(s.piece)
	}
	s.frame += int64(s.piece.Frames())
	for c := range s.piece {
		s.piece[c] = s.piece[c][:0]
	}
}

// activeSeconds returns how much of what was passed on is active, by the level track of the
// take. What lies behind the end of the track counts as what lies within it.
func (s *soundSample) activeSeconds(a activity, level []int16) float64 {
	var passed []int16
	within := 0
	for _, k := range s.parts {
		from := int(k) * sampleMs
		if from >= len(level) {
			break
		}
		within++
		passed = append(passed, level[from:min(len(level), from+sampleMs)]...)
	}
	return a.secondsOf(passed) * float64(len(s.parts)) / float64(max(1, within))
}

// counts reports whether a piece of a level is passed on.
func (s *soundSample) counts(level float64) bool {
	k, _ := slices.BinarySearchFunc(s.levels, level, func(have, level float64) int {
		if have >= level {
			return -1
		}
		return 1
	})
	if s.levels = slices.Insert(s.levels, k, level); len(s.levels) > loudestPieces {
		s.levels = s.levels[:loudestPieces]
	}
	if level > silentDBFS {
		s.least = min(s.least, level)
	}
	least := max(s.levels[len(s.levels)-1]-sampleUnderDB, s.least+sampleOverDB)
	switch {
	case s.frame < int64(sampleFirst*s.rate):
		return true
	case level < least || level <= silentDBFS:
		return false
	}
	sounded := 0
	for k := range sampleLevel(least) + 1 {
		sounded += s.passed[k]
	}
	if sounded < sampleFirst*piecesASecond {
		return true
	}
	s.beyond++
	return s.beyond/piecesASecond%sampleOneIn == 0
}

// sampleLevel returns the index of a level in dBFS.
func sampleLevel(dbfs float64) int { return int(max(0, min(sampleLevels-1, -dbfs))) }

// level returns the level of the loudest 50 ms of the piece in any channel, without its DC
// offset.
func (s *soundSample) level() float64 {
	loudest := 0.0
	frames := max(1, s.rate*sampleFrameMs/1000)
	for _, x := range s.piece {
		for part := range slices.Chunk(x, frames) {
			var samples sampleSum
			samples.add(part)
			sum, power := samples.take(), vector.SumOfSquares(part)
			n := float64(len(part))
			if variance := power/n - sum/n*(sum/n); variance > loudest {
				loudest = variance
			}
		}
	}
	return max(leastSoundDBFS, dsp.PowerToDB(loudest))
}

// sampleSum adds samples in four sums, which the processor can compute in parallel. The result
// does not depend on the division into blocks.
type sampleSum struct {
	sums  [4]float64
	count int
}

func (s *sampleSum) add(x []float64) {
	for ; s.count%4 != 0 && len(x) > 0; x = x[1:] {
		s.sums[s.count%4] += x[0]
		s.count++
	}
	s.count += len(x)
	s0, s1, s2, s3 := s.sums[0], s.sums[1], s.sums[2], s.sums[3]
	for len(x) >= 4 {
		s0 += x[0]
		s1 += x[1]
		s2 += x[2]
		s3 += x[3]
		x = x[4:]
	}
	s.sums = [4]float64{s0, s1, s2, s3}
	for i, v := range x {
		s.sums[i] += v
	}
}

// take returns the sum and resets it.
func (s *sampleSum) take() float64 {
	sum := (s.sums[0] + s.sums[1]) + (s.sums[2] + s.sums[3])
	*s = sampleSum{}
	return sum
}
