package tune

import (
	"fmt"
	"strings"
)

// Refusal states why a target cannot, or should not, be met, and what is possible. Nothing is
// written then.
type Refusal struct {
	Reason string `json:"reason"`
	// Do states what to change.
	Do string `json:"do,omitempty"`
	// LoudestLUFS is the largest loudness at any drive, and LoudestDriveDB that drive; nil: not
	// measured. More drive than that brings pauses over the loudness gate, or limits more.
	LoudestLUFS    *float64 `json:"loudest_lufs"`
	LoudestDriveDB float64  `json:"loudest_drive_db"`
	// Limiting lists the loudness that is possible at more and more limiting, within 0.1 LU
	// where Deliver states it.
	Limiting []Limited `json:"loudness_by_limiting"`
	// NeedsLimitingDB is the limiting that the target requires, where that exceeds the largest
	// accepted, Target.MostLimitingDB; 0: it does not.
	NeedsLimitingDB float64 `json:"needs_limiting_db,omitempty"`
	// NearestLUFS is the nearest loudness possible within the given limits; nil: none.
	NearestLUFS   *float64 `json:"nearest_lufs"`
	nearestGainDB float64
	// Proposal is a change of the chain that would help; nil: none is known.
	Proposal *Proposal `json:"proposal,omitempty"`
}

// Limited is a loudness and the limiting that it requires.
type Limited struct {
	P95DB        float64 `json:"p95_reduction_db"` // 95th percentile of the limiter's reduction
	GainDB       float64 `json:"drive_db"`
	LoudnessLUFS float64 `json:"integrated_lufs"`
}

func (r *Refusal) Error() string {
	var b strings.Builder
	b.WriteString(r.Reason)
	if r.LoudestLUFS != nil {
		fmt.Fprintf(&b, "; the loudest is %.1f LUFS, with a drive of %.1f dB", *r.LoudestLUFS, r.LoudestDriveDB)
	}
	for i, l := range r.Limiting {
		word := "; by"
		if i > 0 {
			word = ", by"
		}
		fmt.Fprintf(&b, "%s %g dB of limiting %.1f LUFS", word, l.P95DB, l.LoudnessLUFS)
	}
	if r.Do != "" {
		b.WriteString("; " + r.Do)
	}
	return b.String()
}
