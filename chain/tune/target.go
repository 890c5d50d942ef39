package tune

import (
	"fmt"

	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/expect"
)

// Target is what a delivered programme is to read.
type Target struct {
	LoudnessLUFS float64 // integrated loudness to aim at
	// LeastLUFS and MostLUFS are what is still accepted where LoudnessLUFS cannot be
	// met; both 0: nothing else is.
	LeastLUFS, MostLUFS float64
	TruePeakDBTP        float64  // ceiling
	ShortTermMaxLUFS    *float64 // nil: none
	RangeMaxLU          *float64 // nil: none

	// Mono says how one channel is measured.
	Mono measure.MonoPolicy

	// MostLimitingDB is the largest 95th percentile of the limiter's reduction that
	// is accepted, over the blocks that the loudness counts; 0: DefaultLimitingDB.
	MostLimitingDB float64

	// Nearest asks for the nearest loudness that can be had, instead of a refusal,
	// where the target cannot be met.
	Nearest bool

	// Limits are the limits of the specification that the target comes from: the
	// written file is held against each of them.
	Limits []measure.Limit
	Spec   string // its name
}

// DefaultLimitingDB: more limiting than that for a twentieth of the speech is the
// mark of a wrong level ahead of the limiter. (common practice, no source)
const DefaultLimitingDB = 6

// TargetLoudness is a target of one's own. A loudness 0.1 LU from it is accepted
// where the loudness steps over it: two meters may differ by as much (Report ITU-R
// BS.2217-2: ±0.1 LKFS).
func TargetLoudness(lufs, truePeakDBTP float64) Target {
	return Target{LoudnessLUFS: lufs, LeastLUFS: lufs - 0.1, MostLUFS: lufs + 0.1, TruePeakDBTP: truePeakDBTP}
}

// Check returns an error for a target that no programme can have.
func (t Target) Check() error {
	switch {
	case !(t.LoudnessLUFS >= -70 && t.LoudnessLUFS <= 0):
		return fmt.Errorf("found a loudness of %g LUFS; accepted: -70 to 0 LUFS", t.LoudnessLUFS)
	case !(t.TruePeakDBTP >= -60 && t.TruePeakDBTP <= 0):
		return fmt.Errorf("found a true peak of %g dBTP; accepted: -60 to 0 dBTP", t.TruePeakDBTP)
	case t.RangeMaxLU != nil && !(*t.RangeMaxLU > 0):
		return fmt.Errorf("found a loudness range of %g LU; accepted: more than 0 LU", *t.RangeMaxLU)
	case t.ShortTermMaxLUFS != nil && !(*t.ShortTermMaxLUFS >= t.LoudnessLUFS):
		return fmt.Errorf("found a short-term loudness of %g LUFS at most; accepted: %g LUFS, the loudness of the whole, or more", *t.ShortTermMaxLUFS, t.LoudnessLUFS)
	case t.MostLimitingDB < 0:
		return fmt.Errorf("found %g dB of limiting; accepted: more than 0 dB", t.MostLimitingDB)
	}
	return nil
}

// TargetOf is the target of a specification: the middle of what it accepts.
func TargetOf(s expect.Spec) (Target, error) {
	t := Target{Limits: s.Limits, Spec: s.Name}
	loudness, ok := s.Limit("integrated_lufs")
	if !ok || loudness.Min == nil || loudness.Max == nil {
		return t, fmt.Errorf("%s does not bound the loudness from both sides, so it has no middle to aim at; name the loudness as well", s.Name)
	}
	t.LeastLUFS, t.MostLUFS = *loudness.Min, *loudness.Max
	t.LoudnessLUFS = (t.LeastLUFS + t.MostLUFS) / 2
	t.bound(s)
	return t, nil
}

// TargetWithin is the target of a specification with a loudness of one's own, which
// the specification must accept.
func TargetWithin(s expect.Spec, loudnessLUFS float64) (Target, error) {
	t := Target{Limits: s.Limits, Spec: s.Name, LoudnessLUFS: loudnessLUFS, LeastLUFS: loudnessLUFS, MostLUFS: loudnessLUFS}
	if l, ok := s.Limit("integrated_lufs"); ok {
		if l.Min != nil && loudnessLUFS < *l.Min || l.Max != nil && loudnessLUFS > *l.Max {
			return t, fmt.Errorf("found a loudness of %g LUFS; accepted by %s: %s", loudnessLUFS, s.Name, l)
		}
		if l.Min != nil {
			t.LeastLUFS = *l.Min
		}
		if l.Max != nil {
			t.MostLUFS = *l.Max
		}
	}
	t.bound(s)
	return t, nil
}

// bound takes the other limits of a specification over. Where it has no true peak,
// the ceiling is full scale.
func (t *Target) bound(s expect.Spec) {
	if l, ok := s.Limit("true_peak_dbtp"); ok && l.Max != nil {
		t.TruePeakDBTP = *l.Max
	}
	if l, ok := s.Limit("short_term_max_lufs"); ok {
		t.ShortTermMaxLUFS = l.Max
	}
	if l, ok := s.Limit("loudness_range_lu"); ok {
		t.RangeMaxLU = l.Max
	}
}

// accepts reports whether a loudness is within the target's tolerance.
func (t Target) accepts(lufs float64) bool {
	if t.LeastLUFS == 0 && t.MostLUFS == 0 {
		return false
	}
	return lufs >= t.LeastLUFS && lufs <= t.MostLUFS
}

func (t Target) mostLimiting() float64 {
	if t.MostLimitingDB == 0 {
		return DefaultLimitingDB
	}
	return t.MostLimitingDB
}
