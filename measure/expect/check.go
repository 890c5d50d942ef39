package expect

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/compare"
	"github.com/boothbench/boothbench/measure/take"
)

// Checked is a file, chain or sheet and its judgements.
type Checked struct {
	Subject    string
	Judgements []measure.Judgement
	Changes    []string // how it differs from a baseline or from the file that it is compared with, in a sentence each
	Kept       []string // artefacts that were written
	Warnings   []wave.Warning
	// ChannelFaults describes faults of a sound whose loudness was measured: it is no louder
	// than dither, one of two channels is silent, they cancel in mono, or their levels are far
	// apart. They change no verdict: most
	// specifications have no limit for them, and a limits file can set one for correlation
	// and channel_gain_db.
	ChannelFaults []string
	Err           error // why it could not be measured

	groups []int // that are about it, by their places in Limits.Groups
	by     []int // the group of each judgement

	begun time.Time       // when the judgement at hand was begun
	took  []time.Duration // for each judgement
}

// begin makes the result of a subject whose measurement begins now.
func begin(subject string, groups []int) Checked {
	return Checked{Subject: subject, groups: groups, begun: time.Now()}
}

// judged adds a judgement of a group.
func (c *Checked) judged(group int, j measure.Judgement) {
	c.Judgements = append(c.Judgements, j)
	c.by = append(c.by, group)
	now := time.Now()
	c.took = append(c.took, now.Sub(c.begun))
	c.begun = now
}

// Passed reports whether there are limits, and all of them are met.
func (c Checked) Passed() bool {
	return c.Err == nil && len(c.Judgements) > 0 && !slices.ContainsFunc(c.Judgements, func(j measure.Judgement) bool { return j.Verdict != measure.Pass })
}

// Results are the judgements. If the subject could not be measured, an undecided one
// states that.
func (c Checked) Results() []measure.Judgement {
	if c.Err == nil {
		return c.Judgements
	}
	return append(slices.Clone(c.Judgements), measure.Judgement{
		Subject: c.Subject, Limit: measure.Limit{Reading: measure.EveryReading}, Verdict: measure.Undecided, Got: measure.Reading{Reason: strings.TrimPrefix(wave.ErrorText(c.Err), c.Subject+": "), Frame: -1, Channel: -1},
	})
}

// AgainstSpec returns the limits for files against a specification that is built in.
func AgainstSpec(name string) (*Limits, error) {
	s, err := SpecNamed(name)
	if err != nil {
		return nil, err
	}
	return &Limits{Path: s.Name, Groups: []Group{{Limits: s.Limits}}}, nil
}

// AgainstBaselines returns the limits for files against a folder of baselines.
func AgainstBaselines(dir string) *Limits {
	return &Limits{Path: dir, Groups: []Group{{Baseline: dir, Limits: BaselineLimits()}}}
}

// Subjects lists what the limits apply to, each once: the named files or, if none is
// named, those that match the groups' patterns; then the chains and sheets. A named file to which
// no group applies is an error, and so is a group whose patterns find no file at all.
// Groups of other files, of chains and of sheets judge nothing where files are named.
func (l *Limits) Subjects(named []string) (files, chains []string, err error) {
	if len(named) > 0 {
		files, err = l.namedOnce(named)
		return files, nil, err
	}
	seen := map[string]bool{}
	once := func(list *[]string, name string) {
		if place := placeOf(name); !seen[place] {
			seen[place] = true
			*list = append(*list, name)
		}
	}
	for _, g := range l.Groups {
		if of := g.Chain + g.Sheet; of != "" { // one of them
			once(&chains, of)
			continue
		}
		if len(g.Files) == 0 {
			return nil, nil, fmt.Errorf("%s:%d: an [[expect]] without files = […] applies to the files that are named, and none is named", l.Path, g.Line)
		}
		found, err := g.Found()
		if err != nil {
			return nil, nil, fmt.Errorf("%s:%d: %w", l.Path, g.Line, err)
		}
		for _, file := range found {
			once(&files, file)
		}
	}
	return files, chains, nil
}

// namedOnce are the named files, each once, if groups are about all of them, and the
// patterns of the other groups find files.
func (l *Limits) namedOnce(named []string) ([]string, error) {
	var files []string
	seen := map[string]bool{}
	groups := l.groupsOf(named)
	for i, file := range named {
		if len(groups[i]) == 0 {
			return nil, fmt.Errorf("%s: no [[expect]] of %s applies to it: the patterns are relative to %s, where this file is %s", file, l.Path, placeOf(filepath.Dir(l.Path)), placeOf(file))
		}
		if place := placeOf(file); !seen[place] {
			seen[place] = true
			files = append(files, file)
		}
	}
	for k, g := range l.Groups {
		if g.Chain+g.Sheet != "" || len(g.Files) == 0 || slices.ContainsFunc(groups, func(of []int) bool { return slices.Contains(of, k) }) {
			continue
		}
		if _, err := g.Found(); err != nil {
			return nil, fmt.Errorf("%s:%d: %w", l.Path, g.Line, err)
		}
	}
	return files, nil
}

// CheckFile measures a file, with each instrument once, and judges it by the limits of
// all groups that cover it.
func (l *Limits) CheckFile(ctx context.Context, file string) Checked {
	groups := l.groupsOf([]string{file})[0]
	if err := l.comparesItself(file, groups); err != nil {
		return Checked{Subject: file, groups: groups, Err: err}
	}
	return l.checkFile(ctx, file, groups, l.keeper([]string{file}, nil))
}

func (l *Limits) checkFile(ctx context.Context, file string, groups []int, k *keeper) Checked {
	checked := begin(file, groups)
	if r, err := wave.Open(file); err == nil {
		checked.Warnings = r.Warnings()
		r.Close()
	}
	if at := slices.IndexFunc(checked.Warnings, func(w wave.Warning) bool { return w.Lost }); at >= 0 && len(groups) > 0 {
		checked.judged(groups[0], damagedFile(file, checked.Warnings[at]))
	}
	m := newMeasured(ctx, File(file).until(ctx))
	silent, err := checked.judgeSilence(l, m)
	if err != nil {
		checked.Err = err
		return checked
	}
	for _, place := range groups {
		g := l.Groups[place]
		if !g.hasPartner(file) {
			checked.judged(place, missingFile(file, "there is no "+g.likeOf(file)))
			continue
		}
		failed := map[origin]bool{}
		for _, limit := range g.wanted() {
			kind, _ := originOf(limit.Reading)
			if g.Through != "" {
				kind = ofRun // one run gives all that comes out
			}
			readings, err := m.readings(source{kind, g.likeFor(kind, file)})
			if err != nil {
				checked.Err = err
				if !strings.HasPrefix(err.Error(), file+":") {
					checked.Err = fmt.Errorf("%s: %w", file, err)
				}
				return checked
			}
			if c := m.changes[source{ofBaseline, g.likeFor(ofBaseline, file)}]; kind == ofBaseline && c != nil {
				limit = c.baseline.limit(limit)
			}
			for _, each := range limit.InEachChannel(readings) {
				j := measure.Judge(file, m.rate, readings, each)
				if reason := m.noChannel(each.Reading); reason != "" && j.Verdict == measure.Undecided {
					j.Got.Reason = reason
				}
				checked.judged(place, j)
				failed[kind] = failed[kind] || j.Verdict != measure.Pass
			}
		}
		if out, ok := m.known[source{ofRun, g.Through}].Get("sample_peak_dbfs"); ok && out.Beyond < 0 && !silent && !silenceIsMeant(g.Limits) {
			checked.judged(place, silentFile(file, "what comes out of "+g.Through+" is digital silence"))
		}
		checked.Changes = append(checked.Changes, m.changed(g, file, failed)...)
		if failed[ofComparison] && l.Artefacts != "" {
			kept, err := k.difference(ctx, file, len(checked.Kept), m.sound, File(g.likeOf(file)).until(ctx))
			if err != nil {
				checked.Err = err
				return checked
			}
			if kept != "" {
				checked.Kept = append(checked.Kept, kept)
			}
		}
	}
	checked.ChannelFaults = m.faults
	return checked
}

// changed describes how a file differs from its baseline and, where a limit of a
// comparison is not met, from the file that it is compared with.
func (m *measured) changed(g Group, file string, failed map[origin]bool) []string {
	var all []string
	baseline := source{ofBaseline, g.likeFor(ofBaseline, file)}
	if c := m.changes[baseline]; c != nil && c.sentence() != "" {
		text := c.sentence()
		if !c.same() && (!failed[ofBaseline] || c.now.SampleFormat != c.baseline.SampleFormat || c.now.UsedBits != c.baseline.UsedBits) && c.explained() && len(c.local) == 0 {
			text = c.onlyNoise()
		}
		all = append(all, fmt.Sprintf("%s %s (against its baseline of %s: %s)", file, text, c.baseline.newest().Date, c.baseline.newest().Why))
	}
	if summary := m.compared[source{ofComparison, g.likeFor(ofComparison, file)}]; summary != "" && failed[ofComparison] {
		all = append(all, fmt.Sprintf("%s: %s (A is %s)", file, summary, g.likeOf(file)))
	}
	return all
}

// wanted are the group's limits and those that come with them: a compared file must not
// miss a part, and claims that must not fail must be decided. The limits can say how much
// may be missing or undecided.
func (g Group) wanted() []measure.Limit {
	limited := func(reading string) bool {
		return slices.ContainsFunc(g.Limits, func(l measure.Limit) bool { return l.Reading == reading })
	}
	limits := slices.Clone(g.Limits)
	usual := func(reading, source string) {
		l := measure.AtMost(reading, 0)
		l.Source = source
		limits = append(limits, l)
	}
	if g.Like != "" && !limited("missing_ms") {
		usual("missing_ms", "usual of like; missing_ms = … sets another")
	}
	if limited("claims_failed") && !limited("claims_undecided") {
		usual("claims_undecided", "usual beside claims_failed; claims_undecided = … sets another")
	}
	return limits
}

// likeFor is what an instrument compares a file with; most compare it with nothing: "".
func (g Group) likeFor(kind origin, file string) string {
	switch kind {
	case ofRun:
		return g.Through
	case ofComparison:
		return g.likeOf(file)
	case ofBaseline:
		return g.Baseline
	}
	return ""
}

// source is an instrument and what it compares with.
type source struct {
	origin
	like string
}

// measured is a sound and its readings so far.
type measured struct {
	ctx      context.Context
	sound    Sound
	rate     int // Hz, once it is known
	channels int
	known    map[source]measure.Readings

	changes  map[source]*change // against baselines
	compared map[source]string  // the summaries of comparisons
	faults   []string           // of two channels whose loudness was measured
}

func newMeasured(ctx context.Context, s Sound) *measured {
	return &measured{ctx: ctx, sound: s, known: map[source]measure.Readings{}, changes: map[source]*change{}, compared: map[source]string{}}
}

func (m *measured) readings(s source) (measure.Readings, error) {
	if r, ok := m.known[s]; ok {
		return r, nil
	}
	r, err := m.take(s)
	if err == nil {
		m.known[s] = r
	}
	return r, err
}

func (m *measured) take(s source) (readings measure.Readings, err error) {
	err = m.sound.read(func(src wave.Source) (err error) {
		m.rate, m.channels = src.Format().Rate, src.Format().Channels
		switch s.origin {
		case ofFormat:
			var frames int64
			if frames, err = framesOf(m.ctx, src); err == nil {
				readings = measure.FormatReadings(src.Format(), frames)
			}
		case ofMeter:
			readings, err = m.programme(src)
		}
		return err
	})
	switch {
	case err != nil:
	case s.origin == ofRun:
		var faults []string
		readings, faults, err = throughChain(m.ctx, m.sound, s.like)
		m.found(faults)
	case s.origin == ofInspection:
		var in *take.Inspection
		if in, err = take.Inspect(m.ctx, m.sound.Open); err == nil {
			readings = in.Readings
		}
	case s.origin == ofBaseline:
		var b *Baseline
		if b, err = LoadBaseline(s.like, m.sound.name); err == nil {
			var c *change
			if c, err = b.changeOf(m.ctx, m.sound); err == nil {
				readings, m.changes[s] = c.readings(), c
			}
		} else if errors.Is(err, fs.ErrNotExist) {
			err = fmt.Errorf("no baseline: %w; record one with check --record", err)
		}
	case s.origin == ofComparison:
		var c *compare.Comparison
		if c, err = compare.Sounds(m.ctx, File(s.like).Open, m.sound.Open, compare.Settings{}); err == nil {
			readings, m.compared[s] = c.Readings(), c.Summary()
		}
	}
	return readings, err
}

// programme measures loudness, peaks, and the channels against each other.
func (m *measured) programme(src wave.Source) (measure.Readings, error) {
	meter, err := measure.NewProgrammeMeter(src.Format(), measure.AsIs)
	if err != nil {
		return nil, err
	}
	var pair take.Pair
	if err := measure.EachBlock(m.ctx, src, meter.Loudness.Write, meter.Peaks.Write, pair.Write); err != nil {
		return nil, err
	}
	m.found(pair.Faults(m.rate))
	if text := hardlyAnything(meter.Readings()); text != "" {
		m.found([]string{text})
	}
	return meter.Readings(), nil
}

// found adds faults that are not yet known.
func (m *measured) found(faults []string) {
	for _, f := range faults {
		if !slices.Contains(m.faults, f) {
			m.faults = append(m.faults, f)
		}
	}
}

// noChannel says why a sound has no reading of one channel: it has fewer, or only one, whose
// reading has no channel in its name. "" for every other reading.
func (m *measured) noChannel(reading string) string {
	name, channel, one := ofOneChannel(reading)
	switch {
	case one && m.channels == 1:
		return "there is 1 channel, whose reading is " + name
	case one && channel > m.channels:
		return fmt.Sprintf("there are %d channels", m.channels)
	}
	return ""
}
