package vector

// Turning is four phasors, those of four consecutive frames, and the sums of the
// samples times them.
type Turning struct {
	Re, Im       [4]float64
	SumRe, SumIm [4]float64
	StepRe       float64 // factor that advances each phasor by four frames
	StepIm       float64
}

// Add adds samples times the phasors, which advance by four frames at a time, and
// returns how many samples it took, a multiple of four.
func (t *Turning) Add(x []float64) int {
	fours := len(x) / 4
	if fours == 0 {
		return 0
	}
	if hasAVX {
		turningAVX(&x[0], fours, t)
	} else {
		t.add(x[:4*fours])
	}
	return 4 * fours
}

func (t *Turning) add(x []float64) {
	for lane := range t.Re {
		re, im, sumRe, sumIm := t.Re[lane], t.Im[lane], t.SumRe[lane], t.SumIm[lane]
		for n := lane; n < len(x); n += 4 {
			sumRe += float64(x[n] * re)
			sumIm += float64(x[n] * im)
			re, im = float64(re*t.StepRe)-float64(im*t.StepIm), float64(re*t.StepIm)+float64(im*t.StepRe)
		}
		t.Re[lane], t.Im[lane], t.SumRe[lane], t.SumIm[lane] = re, im, sumRe, sumIm
	}
}
