package picture

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// secondSteps are the distances of ticks on a time axis.
var secondSteps = []float64{
	1e-5, 2e-5, 5e-5, 1e-4, 2e-4, 5e-4, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5,
	1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 43200, 86400,
}

// roundStep is the smallest product of a factor and a power of ten that is at least raw.
func roundStep(raw float64, factors []float64) float64 {
	power := math.Pow(10, math.Floor(math.Log10(raw)))
	for _, f := range factors {
		if step := float64(f * power); step >= raw*0.999 {
			return step
		}
	}
	return 10 * power
}

// step is the distance of ticks for about n of them, and at least two: one tick gives no
// scale.
func (a Axis) step(n int) float64 {
	for k := n; ; k++ {
		step := a.roundStep(k)
		if k >= 4*n || a.Whole && step <= 1 || math.Floor(a.Max/step+1e-6)-math.Ceil(a.Min/step-1e-6) >= 1 {
			return step
		}
	}
}

func (a Axis) roundStep(n int) float64 {
	raw := (a.Max - a.Min) / float64(max(1, n))
	if a.Whole {
		raw = max(1, raw)
	}
	if a.Scale == Time && raw <= secondSteps[len(secondSteps)-1] {
		for _, s := range secondSteps {
			if s >= raw*0.999 {
				return s
			}
		}
	}
	return roundStep(raw, []float64{1, 2, 5, 10})
}

// ticks are the round values of an axis: those that are labelled, at most about n, and
// on a logarithmic axis all lines of its grid.
func (a Axis) ticks(n int) (labelled, lines []float64) {
	if a.Scale == Log {
		return a.logTicks(n)
	}
	step := a.step(n)
	for k := math.Ceil(a.Min/step - 1e-6); k*step <= a.Max+1e-6*step && len(labelled) < 100; k++ {
		v := float64(k*step) + 0                                         // +0: no negative zero
		if s := (v - a.Min) / (a.Max - a.Min); s < -1e-6 || s > 1+1e-6 { // a step may be far longer than the axis
			continue
		}
		labelled = append(labelled, v)
	}
	return labelled, labelled
}

func (a Axis) logTicks(n int) (labelled, lines []float64) {
	first := int(math.Floor(math.Log10(a.Min) + 1e-9))
	last := int(math.Ceil(math.Log10(a.Max) - 1e-9))
	within := func(v float64) bool { return v >= a.Min*0.9999 && v <= a.Max*1.0001 }
	// The densest choice of labels that is not more than n.
	choices := [][]float64{{1, 2, 3, 4, 5, 6, 7, 8, 9}, {1, 2, 5}, {1, 3}, {1}}
	count := func(c []float64) (k int) {
		for e := first; e <= last; e++ {
			for _, m := range c {
				if within(m * math.Pow(10, float64(e))) {
					k++
				}
			}
		}
		return k
	}
	chosen := choices[len(choices)-1]
	for _, c := range choices {
		if count(c) <= n {
			chosen = c
			break
		}
	}
	every := max(1, (last-first)/max(1, n)) // decades
	for e := first; e <= last; e++ {
		power := math.Pow(10, float64(e))
		for m := 1.0; m < 10; m++ {
			v := m * power
			if !within(v) {
				continue
			}
			if last-first < 12 {
				lines = append(lines, v)
			}
			for _, c := range chosen {
				if c == m && (e-first)%every == 0 {
					labelled = append(labelled, v)
				}
			}
		}
	}
	return labelled, lines
}

// label is a tick's value as text, with the minus sign U+2212.
func (a Axis) label(v, step float64) string {
	switch {
	case a.Scale == Time:
		return timeLabel(v, step)
	case a.Scale == Log && math.Abs(v) >= 1000 && math.Abs(v) < 1e6:
		return strconv.FormatFloat(v/1000, 'g', 4, 64) + "k"
	case a.Scale == Log:
		return strconv.FormatFloat(v, 'g', 4, 64)
	case math.Abs(v) >= 1e7:
		return Minus(strconv.FormatFloat(v, 'g', 4, 64))
	}
	decimals := 0
	if step < 1 {
		decimals = min(9, int(math.Ceil(-math.Log10(step)-1e-9)))
	}
	return Minus(strconv.FormatFloat(v, 'f', decimals, 64))
}

// timeLabel is a time as h:mm:ss, or m:ss and a fraction where steps are that short.
func timeLabel(v, step float64) string {
	if math.Abs(v) >= 1e9 {
		return Minus(strconv.FormatFloat(v, 'g', 4, 64))
	}
	decimals := 0
	if step < 1 {
		decimals = min(5, int(math.Ceil(-math.Log10(step)-1e-9)))
	}
	sign := ""
	if v < 0 {
		sign, v = "−", -v
	}
	unit := math.Pow(10, float64(decimals))
	all := int64(math.Round(v * unit))
	whole, part := all/int64(unit), all%int64(unit)
	text := fmt.Sprintf("%s%d:%02d:%02d", sign, whole/3600, whole/60%60, whole%60)
	if decimals > 0 {
		text += fmt.Sprintf(".%0*d", decimals, part)
	}
	return text
}

// Minus replaces hyphens before digits by the minus sign U+2212. A hyphen inside a word
// stays.
func Minus(s string) string {
	if !strings.Contains(s, "-") {
		return s
	}
	out := []rune(s)
	for i, r := range out {
		digit := i+1 < len(out) && out[i+1] >= '0' && out[i+1] <= '9'
		if r == '-' && digit && (i == 0 || strings.ContainsRune(" ([,;:=", out[i-1])) {
			out[i] = '−'
		}
	}
	return string(out)
}
