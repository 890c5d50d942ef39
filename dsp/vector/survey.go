package vector

import (
	"math"
	"math/bits"
)

// Survey is the result of one pass over a short stretch of sound.
type Survey struct {
	Sum, Squares float64 // of the samples, and of their squares
	Steps        float64 // sum of the squared differences from the sample before
	Moves        float64 // sum of the magnitudes of these differences, each times its weight
	Least, Most  float64
	Equal        uint64 // bit n: sample n equals the one before it
	Used         uint32 // bits that any sample uses, as a whole number of 2^-31; 0 unless Whole
	Whole        bool   // all are whole numbers of 2^-31, from −1 up to less than 1
}

// MostSurveyed is the largest number of samples in a stretch.
const MostSurveyed = 64

// surveyed holds the sums of the assembly, one for every fourth sample.
type surveyed struct {
	sum, squares, steps, moves, least, most, broken [4]float64
	used                                            [4]uint32
	equal                                           uint64
}

// SurveyOf reads the samples x[1:], 1 to MostSurveyed of them; x[0] is the one before.
// Each has a weight. The sums are those of every fourth sample, added at the end. With
// NaN or infinite samples the result is undefined.
func SurveyOf(x, weights []float64) Survey {
	return surveyOf(x, weights, hasAVX)
}

func surveyOf(x, weights []float64, assembly bool) (s Survey) {
	n := len(x) - 1
	weights = weights[:n]
	fours := n / 4
	if assembly && n == 4*fours {
		surveyAVX(&x[0], &weights[0], fours, nil, &s)
		s.Equal = bits.RotateLeft64(s.Equal, n)
		return s
	}
	var l surveyed
	if assembly && fours > 0 {
		surveyAVX(&x[0], &weights[0], fours, &l, nil)
		l.equal = bits.RotateLeft64(l.equal, 4*fours)
	} else {
		for lane := range l.least {
			l.least[lane], l.most[lane] = x[1], x[1]
		}
		l.read(x, weights, 0, 4*fours)
	}
	l.read(x, weights, 4*fours, n)
	s = Survey{
		Sum: total(&l.sum), Squares: total(&l.squares), Steps: total(&l.steps), Moves: total(&l.moves),
		Least: min(l.least[0], l.least[1], l.least[2], l.least[3]), Most: max(l.most[0], l.most[1], l.most[2], l.most[3]),
		Equal: l.equal, Used: l.used[0] | l.used[1] | l.used[2] | l.used[3], Whole: true,
	}
	for _, v := range l.broken {
		s.Whole = s.Whole && math.Float64bits(v) == 0
	}
	if !s.Whole {
		s.Used = 0
	}
	return s
}

func total(v *[4]float64) float64 { return (v[0] + v[1]) + (v[2] + v[3]) }

// read takes samples from … to−1 of a stretch.
func (l *surveyed) read(x, weights []float64, from, to int) {
	for n := from; n < to; n++ {
		lane, v := n&3, x[n+1]
		step := v - x[n]
		l.sum[lane] += v
		l.squares[lane] += float64(v * v)
		l.steps[lane] += float64(step * step)
		l.moves[lane] += float64(math.Abs(step) * weights[n])
		if v < l.least[lane] {
			l.least[lane] = v
		}
		if v > l.most[lane] {
			l.most[lane] = v
		}
		if v == x[n] {
			l.equal |= 1 << n
		}
		if !(v >= -1 && v < 1) {
			l.broken[lane] = 1
			continue
		}
		scaled := v * (1 << 31)
		whole := int32(scaled)
		if float64(whole) != scaled {
			l.broken[lane] = 1
		}
		l.used[lane] |= uint32(whole)
	}
}
