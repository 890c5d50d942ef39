package tune

import (
	"errors"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strconv"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
)

// Solution is the gain with which a programme is forecast to meet a target. Correct corrects it
// by the measured loudness.
type Solution struct {
	Target Target
	// GainDB is the drive of the chain's limiter or, where the chain does not end with one,
	// that of a gain stage at its end.
	GainDB float64
	// AimLUFS is the loudness aimed at: the target's, or the nearest one possible that its
	// tolerance accepts.
	AimLUFS      float64
	ForecastLUFS float64
	Cost         Cost   // of all takes together, as forecast
	Costs        []Cost // of each take
	Notes        []string
	// Missed is the reason that the target is not met, where Target.Nearest is set.
	Missed string

	parts    parts
	forecast forecast
	settled  string  // the reason that the aim is not the target's; "": it is
	most     float64 // largest gain then
	measured []point

	needsLimitingDB float64 // limiting that the target requires where that is too much; 0: it is not
}

// Solve finds the gain for takes as one programme; mostly there is one take. The analyses must
// be of this chain. Where the target cannot be met the error is a *Refusal, and the solution
// has no gain.
func Solve(c *chain.Chain, t Target, takes ...*Analysis) (*Solution, error) {
	s := &Solution{Target: t, AimLUFS: t.LoudnessLUFS, parts: split(c)}
	if len(takes) == 0 {
		return nil, errors.New("no take; accepted: one analysis or more")
	}
	identity := s.parts.identity()
	for _, a := range takes {
		if a.head != identity {
			return nil, errors.New("the analysis is of another chain; analyse the take again")
		}
	}
	s.forecast = forecast{takes: takes, limiter: s.parts.limiter}
	if l := s.parts.limiter; l != nil && l.CeilingDBTP > t.TruePeakDBTP {
		lower := *l
		lower.CeilingDBTP = t.TruePeakDBTP
		s.note("the limiter's ceiling is lowered from %g to %g dBTP", l.CeilingDBTP, lower.CeilingDBTP)
		s.parts.limiter, s.forecast.limiter = &lower, &lower
	}
	if err := s.audible(); err != nil {
		return s, err
	}
	if err := s.solve(); err != nil {
		return s, err
	}
	s.account()
	return s, nil
}

func (s *Solution) note(format string, args ...any) {
	s.Notes = append(s.Notes, fmt.Sprintf(format, args...))
}

// audible refuses sound that has no loudness at any gain.
func (s *Solution) audible() error {
	plain := forecast{takes: s.forecast.takes}
	if _, ok := plain.loudness(mostDriveDB); ok {
		return nil
	}
	for _, a := range s.forecast.takes {
		if r, _ := a.Ahead.Get("integrated_lufs"); !r.Measurable() {
			reason := r.Reason
			if reason == "nothing above the gate of -70 LUFS" {
				reason += fmt.Sprintf(", not even with %d dB of gain", mostDriveDB)
			}
			return &Refusal{Reason: "the loudness cannot be measured: " + reason}
		}
	}
	return &Refusal{Reason: "the loudness cannot be measured"}
}

// solve finds the gain, or the nearest one that the target's limits accept.
func (s *Solution) solve() error {
	best, low, high, met := smallest(s.forecast.loudness, s.AimLUFS, s.start(), mostDriveDB)
	if !met {
		reason := fmt.Sprintf("%g LUFS cannot be reached", s.AimLUFS)
		_, most, _ := s.bound(best)
		s.needsLimitingDB = 0 // no limiting reaches it
		return s.settleFor(most, reason, s.parts.limiter != nil)
	}
	s.steps(low, high)
	if reason, most, ok := s.bound(best); !ok {
		return s.settleFor(most, reason, s.parts.limiter != nil)
	}
	s.GainDB, s.ForecastLUFS = best.gainDB, best.lufs
	return nil
}

// start returns a gain that does not exceed the target: the gain needed without limiting.
func (s *Solution) start() float64 {
	plain := forecast{takes: s.forecast.takes}
	lufs, ok := plain.loudness(0)
	if !ok { // everything is below the gate
		lufs, _ = plain.loudness(mostDriveDB)
		lufs -= mostDriveDB
	}
	return s.AimLUFS - lufs
}

// steps adds a note where the target lies within a jump of the loudness.
func (s *Solution) steps(low, high point) {
	if high.lufs-low.lufs > okLU && high.gainDB-low.gainDB <= narrowDB*2 {
		s.note("the loudness steps from %.3f to %.3f LUFS at a drive of %.3f dB, where a part of the programme passes the loudness gate", low.lufs, high.lufs, high.gainDB)
	}
}

// bound compares a gain with the limits other than the loudness. Where one is exceeded it
// returns the reason, and the largest gain within the limits.
func (s *Solution) bound(p point) (reason string, most point, ok bool) {
	ok, most = true, p
	s.needsLimitingDB = 0
	lower := func(gain float64, why string) {
		if lufs, _ := s.forecast.loudness(gain); gain < most.gainDB {
			reason, most, ok = why, point{gain, lufs}, false
		}
	}
	if s.parts.limiter == nil {
		peak := s.truePeakAhead()
		if over := peak + p.gainDB - s.Target.TruePeakDBTP; over > 0 {
			lower(math.Floor((s.Target.TruePeakDBTP-peak)*gainPerDB)/gainPerDB, fmt.Sprintf("%g LUFS needs a limiter at the end of the chain: the true peak would be %.1f dB over %g dBTP", s.AimLUFS, over, s.Target.TruePeakDBTP))
		}
	} else {
		_, all := s.forecast.reductions(p.gainDB)
		if p95 := all.percentile(0.95); p95 > s.Target.mostLimiting() {
			s.needsLimitingDB = p95
			lower(s.driveFor(s.Target.mostLimiting(), p.gainDB), fmt.Sprintf("%g LUFS takes %.1f dB of limiting for a twentieth of the time, more than %g dB: the level ahead of the limiter varies too much", s.AimLUFS, p95, s.Target.mostLimiting()))
		}
	}
	if limit := s.Target.ShortTermMaxLUFS; limit != nil {
		if loudest, known := s.shortTermMax(p.gainDB); known && loudest > *limit {
			gain := p.gainDB
			for range 20 { // except for limiting, the short-term loudness changes by the gain
				if loudest, _ = s.shortTermMax(gain); loudest <= *limit {
					break
				}
				gain -= loudest - *limit + 0.002
			}
			loudest, _ = s.shortTermMax(p.gainDB)
			lower(gain, fmt.Sprintf("at %g LUFS the largest short-term loudness is %.1f LUFS, over %g: it is %.1f LU above the integrated loudness, and may be %.1f LU at most", s.AimLUFS, loudest, *limit, loudest-p.lufs, *limit-s.AimLUFS))
		}
	}
	return reason, most, ok
}

// truePeakAhead returns the largest true peak ahead of the limiter in dBTP, by both true-peak
// readings.
func (s *Solution) truePeakAhead() float64 {
	peak := math.Inf(-1)
	for _, a := range s.forecast.takes {
		for _, name := range []string{"true_peak_dbtp", "true_peak_fine_dbtp"} {
			if r, _ := a.Ahead.Get(name); r.Measurable() {
				peak = max(peak, r.Value)
			}
		}
	}
	return peak
}

// shortTermMax returns the largest short-term loudness at a gain. It is the forecast on a grid
// of 100 ms, plus the difference that the meter's finer grid makes ahead of the limiter.
func (s *Solution) shortTermMax(gainDB float64) (float64, bool) {
	loudest, known := math.Inf(-1), false
	for i, p := range s.forecast.profiles(gainDB) {
		a := s.forecast.takes[i]
		coarse, ok := a.Profile.ShortTermMax()
		fine, _ := a.Ahead.Get("short_term_max_lufs")
		if v, _ := p.ShortTermMax(); ok && fine.Measurable() {
			loudest, known = max(loudest, v+fine.Value-coarse), true
		}
	}
	return loudest, known
}

// driveFor returns the drive at which the 95th percentile of the reduction is p95. It must be
// below from.
func (s *Solution) driveFor(p95, from float64) float64 {
	low, high := -float64(mostDriveDB), from
	drive := from
	for range 40 {
		_, all := s.forecast.reductions(drive)
		is := all.percentile(0.95)
		if math.Abs(is-p95) <= reductionStep {
			break
		}
		if is > p95 {
			high = drive
		} else {
			low = drive
		}
		if drive += p95 - is; drive <= low || drive >= high { // the reduction changes by about as many dB as the drive
			drive = (low + high) / 2
		}
		if high-low < narrowDB {
			break
		}
	}
	return math.Floor(drive*gainPerDB) / gainPerDB
}

// settleFor uses the nearest gain where the target accepts its loudness, and refuses otherwise.
func (s *Solution) settleFor(most point, reason string, limits bool) error {
	if s.Target.accepts(most.lufs) || s.Target.Nearest {
		s.settled, s.most = reason, most.gainDB
		s.settle(most)
		return nil
	}
	r := &Refusal{Reason: reason, NearestLUFS: &most.lufs, nearestGainDB: most.gainDB, NeedsLimitingDB: s.needsLimitingDB}
	if limits {
		loudest := s.loudest(most)
		r.LoudestLUFS, r.LoudestDriveDB = &loudest.lufs, loudest.gainDB
		drive := float64(mostDriveDB)
		_, all := s.forecast.reductions(drive)
		for _, p95 := range []float64{10, 6, 3} {
			if p95 > all.percentile(0.95) {
				continue // the take is too soft to be limited this much
			}
			drive = s.driveFor(p95, drive)
			lufs, _ := s.forecast.loudness(drive)
			r.Limiting = append(r.Limiting, Limited{p95, drive, lufs})
		}
		slices.Reverse(r.Limiting)
		r.Do = compressAhead
		if len(r.Limiting) == 0 {
			r.Do = "raise the level ahead of the limiter, or aim lower"
		}
	}
	return r
}

// settle aims at the loudness of the largest gain that the target's limits allow.
func (s *Solution) settle(most point) {
	note := func(lufs float64) string { return fmt.Sprintf("%s; aimed at %.2f LUFS instead", s.settled, lufs) }
	before := note(s.AimLUFS)
	s.Notes = slices.DeleteFunc(slices.Clone(s.Notes), func(n string) bool { return n == before }) // a copy of the solution may have them as well
	s.note("%s", note(most.lufs))
	s.GainDB, s.AimLUFS, s.ForecastLUFS, s.Missed = most.gainDB, most.lufs, most.lufs, ""
	if !s.Target.accepts(most.lufs) {
		s.Missed = s.settled
	}
}

// loudest returns the gain with the largest forecast loudness, from a gain up to the largest one.
// The loudness need not grow with the gain: once the pauses come over the gate, each dB of gain
// counts more of them. It has one maximum mostly, which a golden section search finds to 1 dB.
func (s *Solution) loudest(from point) point {
	const narrow = 1 // dB
	golden := (math.Sqrt(5) - 1) / 2
	at := func(gainDB float64) point {
		gainDB = math.Round(10*gainDB) / 10
		lufs, _ := s.forecast.loudness(gainDB)
		return point{gainDB, lufs}
	}
	louder := func(a, b point) point {
		if b.lufs > a.lufs {
			return b
		}
		return a
	}
	low, high := from.gainDB, float64(mostDriveDB)
	best := louder(from, at(high))
	left, right := at(high-golden*(high-low)), at(low+golden*(high-low))
	for high-low > narrow {
		if left.lufs > right.lufs {
			high, right = right.gainDB, left
			left = at(high - golden*(high-low))
		} else {
			low, left = left.gainDB, right
			right = at(low + golden*(high-low))
		}
	}
	return louder(best, louder(left, right))
}

// account computes the costs of the solution.
func (s *Solution) account() {
	each, all := s.forecast.reductions(s.GainDB)
	s.Cost, s.Costs = all.cost(), nil
	for i, h := range each {
		c := h.cost()
		if r, _ := s.forecast.takes[i].Ahead.Get("peak_to_loudness_lu"); r.Measurable() {
			c.PeakToLoudnessAheadLU = r.Value
		}
		s.Costs = append(s.Costs, c)
	}
	if len(s.Costs) == 1 {
		s.Cost = s.Costs[0]
	}
}

// okLU is how near a written programme must come to its target; otherwise it is rendered again.
// It is a fifth of the difference that two meters may have (Report ITU-R BS.2217-2: ±0.1 LKFS).
const okLU = 0.02

// Correct takes the measured loudness of the files written with the solution's gain. It changes
// the gain and returns true if another render would come nearer to the target.
func (s *Solution) Correct(written ...measure.LoudnessProfile) bool {
	lufs, ok := measure.PooledLoudness(written...)
	return ok && s.CorrectBy(lufs)
}

// CorrectBy is Correct for a loudness in LUFS that is already known. A solution that is solved
// again, and corrected by the same measurements in the same order, has the same gain.
func (s *Solution) CorrectBy(lufs float64) bool {
	s.measured = append(s.measured, point{s.GainDB, lufs})
	if math.Abs(lufs-s.AimLUFS) <= okLU {
		return false
	}
	s.forecast.offsetLU += lufs - s.ForecastLUFS
	from := s.GainDB - 2*math.Abs(lufs-s.AimLUFS) - 0.1
	best, low, high, met := smallest(s.forecast.loudness, s.AimLUFS, from, mostDriveDB)
	gain := best.gainDB
	if n := len(s.measured); n > 1 {
		gain = s.secant(gain)
	}
	gain = math.Round(gain*gainPerDB) / gainPerDB
	known := slices.ContainsFunc(s.measured, func(p point) bool { return math.Abs(p.gainDB-gain) < narrowDB })
	if !met || known || s.settled != "" && gain > s.most {
		return false
	}
	s.steps(low, high)
	s.GainDB = gain
	s.ForecastLUFS, _ = s.forecast.loudness(gain)
	s.account()
	return true
}

// secant returns the gain interpolated between the nearest measured points on either side of
// the target; without both, it returns the forecast's.
func (s *Solution) secant(forecast float64) float64 {
	var low, high *point
	for i := range s.measured {
		p := &s.measured[i]
		if p.lufs < s.AimLUFS && (low == nil || p.lufs > low.lufs) {
			low = p
		}
		if p.lufs >= s.AimLUFS && (high == nil || p.lufs < high.lufs) {
			high = p
		}
	}
	if low == nil || high == nil || forecast > low.gainDB && forecast < high.gainDB {
		return forecast
	}
	return low.gainDB + (high.gainDB-low.gainDB)*(s.AimLUFS-low.lufs)/(high.lufs-low.lufs)
}

// Chain returns a copy of the chain with the solution's gain, without its text.
func (s *Solution) Chain() *chain.Chain {
	solved := *s.parts.chain
	solved.Stages = slices.Clone(s.parts.chain.Stages)
	if s.parts.limiter == nil {
		solved.Stages = append(solved.Stages, chain.Stage{Kind: "gain", Name: "gain", Enabled: true, Settings: dsp.GainSettings{GainDB: s.GainDB}})
	} else {
		l := *s.parts.limiter
		l.DriveDB = s.GainDB
		solved.Stages[s.parts.stages].Settings = l
	}
	solved.Text = nil // the text is that of the original chain
	return &solved
}

// ChainText returns the solved chain as a file: the original text, including comments, with the
// gain. A chain that does not come from a file is written anew.
func (s *Solution) ChainText() ([]byte, error) {
	solved := s.Chain()
	var text []byte
	if l := s.parts.limiter; l != nil {
		numbers := map[string]float64{"drive_db": s.GainDB}
		if was := s.parts.chain.Stages[s.parts.stages].Settings.(dsp.LimiterSettings); was.CeilingDBTP != l.CeilingDBTP {
			numbers["ceiling_dbtp"] = l.CeilingDBTP
		}
		text = s.parts.chain.TextWith(s.parts.stages, numbers)
	} else if was := s.parts.chain.Text; was != nil {
		text = fmt.Appendf(slices.Clone(was), "\n\n[[stage]]\nkind = \"gain\"\ngain_db = %s\n", strconv.FormatFloat(s.GainDB, 'f', -1, 64))
	}
	if again, err := chain.Parse(s.parts.chain.Path, text); err == nil && sameSettings(again, solved) {
		return text, nil
	}
	return solved.Format(true)
}

// sameSettings reports whether two chains have the same stages.
func sameSettings(a, b *chain.Chain) bool {
	return slices.EqualFunc(a.Stages, b.Stages, func(x, y chain.Stage) bool {
		return x.Kind == y.Kind && x.Enabled == y.Enabled && reflect.DeepEqual(x.Settings, y.Settings)
	})
}

// Limits reports whether the chain ends with a limiter. The gain is then its drive.
func (s *Solution) Limits() bool { return s.parts.limiter != nil }

// SetsKey returns the key of the gain in the solved chain, and its previous value.
func (s *Solution) SetsKey() (key string, before float64) {
	if s.parts.limiter == nil {
		return "gain_db", 0
	}
	return "drive_db", s.parts.limiter.DriveDB
}
