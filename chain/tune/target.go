package tune

import (
	"fmt"

	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/expect"
)

// Target states the readings that a delivered programme should have.
type Target struct {
	LoudnessLUFS float64 // integrated loudness to aim at
	// LeastLUFS and MostLUFS bound the loudness that is accepted where LoudnessLUFS cannot be
	// met; both 0: no other is.
	LeastLUFS, MostLUFS float64
	TruePeakDBTP        float64  // ceiling
	ShortTermMaxLUFS    *float64 // nil: none
	RangeMaxLU          *float64 // nil: none

	// Mono states how a single channel is measured.
	Mono measure.MonoPolicy

	// MostLimitingDB is the largest accepted 95th percentile of the limiter's reduction, over
	// the blocks that count for the loudness; 0: DefaultLimitingDB.
	MostLimitingDB float64

	// Nearest asks for the nearest possible loudness instead of a refusal, where the target
	// cannot be met.
	Nearest bool

	// Limits are those of the specification from which the target comes. The written file is
	// compared with each of them.
	Limits []measure.Limit
	Spec   string // its name
}

// DefaultLimitingDB is the default of MostLimitingDB. If a twentieth of the speech is limited
// by more, the level ahead of the limiter is wrong. (common practice, no source)
const DefaultLimitingDB = 6

// TargetLoudness returns a target for a loudness that the user chose. Where the loudness jumps
// past it, up to 0.1 LU beside it is accepted: two meters may differ by as much (Report ITU-R
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
		return fmt.Errorf("found %g dB of limiting; accepted: more than 0 dB, or 0 for the default, %d dB", t.MostLimitingDB, DefaultLimitingDB)
	}
	return nil
}

// TargetOf returns the target of a specification: the middle of the accepted loudness.
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

// TargetWithin returns the target of a specification with a loudness that the user chose. The
// specification must accept that loudness.
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

// bound copies the other limits of a specification. Where it has no limit of the true peak, the
// ceiling is full scale.
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
