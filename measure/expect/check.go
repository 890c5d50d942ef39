package expect

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"

	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/compare"
	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/take"
)

// Checked is a file or chain and how it stands to its limits.
type Checked struct {
	Subject    string
	Judgements []measure.Judgement
	Kept       []string // artefacts that were written
	Warnings   []wave.Warning
	Err        error // why it could not be measured
}

// Passed tells whether all limits are met.
func (c Checked) Passed() bool {
	return c.Err == nil && !slices.ContainsFunc(c.Judgements, func(j measure.Judgement) bool { return j.Verdict != measure.Pass })
}

// Results are the judgements, and one that cannot tell for what could not be measured.
func (c Checked) Results() []measure.Judgement {
	if c.Err == nil {
		return c.Judgements
	}
	return append(slices.Clone(c.Judgements), measure.Judgement{
		Subject: c.Subject, Limit: measure.Limit{Reading: "every reading"}, Verdict: measure.Undecided, Got: measure.Reading{Reason: c.Err.Error()},
	})
}

// AgainstSpec are limits of files against a specification that this package
// brings along.
func AgainstSpec(name string) (*Limits, error) {
	s, err := SpecNamed(name)
	if err != nil {
		return nil, err
	}
	return &Limits{Path: s.Name, Groups: []Group{{Limits: s.Limits}}}, nil
}

// AgainstBaselines are limits of files against a folder of baselines.
func AgainstBaselines(dir string) *Limits {
	return &Limits{Path: dir, Groups: []Group{{Baseline: dir, Limits: BaselineLimits()}}}
}

// Subjects lists what the limits are about: the files that are named or, if none
// is, those that the groups' patterns find; then the chains. A named file that
// no group covers is an error.
func (l *Limits) Subjects(named []string) (files, chains []string, err error) {
	for _, g := range l.Groups {
		if g.Chain != "" && len(named) == 0 && !slices.Contains(chains, g.Chain) {
			chains = append(chains, g.Chain)
		}
		if g.Chain != "" || len(named) > 0 {
			continue
		}
		if len(g.Files) == 0 {
			return nil, nil, fmt.Errorf("%s:%d: an [[expect]] without files = […] is about the files that are named, and none is", l.Path, g.Line)
		}
		found, err := l.Found(g)
		if err != nil {
			return nil, nil, err
		}
		for _, file := range found {
			if !slices.Contains(files, file) {
				files = append(files, file)
			}
		}
	}
	for _, file := range named {
		if !slices.ContainsFunc(l.Groups, func(g Group) bool { return g.Covers(file) }) {
			return nil, nil, fmt.Errorf("%s: no [[expect]] of %s is about it", file, l.Path)
		}
		files = append(files, file)
	}
	return files, chains, nil
}

// CheckFile measures a file, with each instrument once, and holds the limits of
// all the groups that cover it against it.
func (l *Limits) CheckFile(ctx context.Context, file string) Checked {
	checked := Checked{Subject: file}
	if r, err := wave.Open(file); err == nil {
		checked.Warnings = r.Warnings()
		r.Close()
	}
	m := &measured{ctx: ctx, sound: File(file).until(ctx), known: map[source]measure.Readings{}}
	for _, g := range l.Groups {
		if !g.Covers(file) {
			continue
		}
		failed := false
		for _, limit := range g.wanted() {
			kind, _ := originOf(limit.Reading)
			readings, err := m.readings(source{kind, g.likeFor(kind)})
			if err != nil {
				checked.Err = fmt.Errorf("%s: %w", file, err)
				return checked
			}
			j := measure.Judge(file, m.rate, readings, limit)
			checked.Judgements = append(checked.Judgements, j)
			failed = failed || kind == ofComparison && j.Verdict != measure.Pass
		}
		if failed && l.Artefacts != "" {
			kept := filepath.Join(l.Artefacts, filepath.Base(file)+".difference.wav")
			if err := keepDifference(ctx, kept, m.sound, File(g.Like).until(ctx)); err != nil {
				checked.Err = err
				return checked
			}
			checked.Kept = append(checked.Kept, kept)
		}
	}
	return checked
}

// wanted are the group's limits. A file that is to be like another has all of it,
// unless the limits say how much may be missing.
func (g Group) wanted() []measure.Limit {
	if g.Like == "" || slices.ContainsFunc(g.Limits, func(l measure.Limit) bool { return l.Reading == "missing_ms" }) {
		return g.Limits
	}
	return append(slices.Clone(g.Limits), measure.AtMost("missing_ms", 0))
}

// likeFor is what an instrument compares with, "" for most.
func (g Group) likeFor(kind origin) string {
	switch kind {
	case ofComparison:
		return g.Like
	case ofBaseline:
		return g.Baseline
	}
	return ""
}

// keepDifference writes the difference of a sound from the one that it should be
// like.
func keepDifference(ctx context.Context, path string, got, want Sound) error {
	src, err := want.Open()
	if err != nil {
		return err
	}
	f := src.Format()
	planes.Close(src)
	out, err := wave.Create(path, wave.Format{Rate: f.Rate, Channels: f.Channels, Encoding: wave.Float, Bits: 32}, wave.Options{Replace: true})
	if err != nil {
		return err
	}
	defer out.Abort()
	if c, err := compare.Sounds(ctx, want.Open, got.Open, compare.Settings{Residual: out}); err != nil || !c.Same {
		return err // there is no difference between different sounds
	}
	return out.Commit()
}

// source is an instrument and what it compares with.
type source struct {
	origin
	like string
}

// measured is a sound and what has been read of it.
type measured struct {
	ctx   context.Context
	sound Sound
	rate  int // Hz, once it is known
	known map[source]measure.Readings
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
		m.rate = src.Format().Rate
		switch s.origin {
		case ofFormat:
			var frames int64
			if frames, err = framesOf(m.ctx, src); err == nil {
				readings = measure.FormatReadings(src.Format(), frames)
			}
		case ofMeter:
			readings, err = measure.Programme(m.ctx, src, measure.AsIs)
		}
		return err
	})
	switch {
	case err != nil:
	case s.origin == ofInspection:
		var in *take.Inspection
		if in, err = take.Inspect(m.ctx, m.sound.Open); err == nil {
			readings = in.Readings
		}
	case s.origin == ofBaseline:
		var b *Baseline
		if b, err = LoadBaseline(s.like, m.sound.name); err == nil {
			readings, err = b.Against(m.ctx, m.sound)
		} else if errors.Is(err, fs.ErrNotExist) {
			err = fmt.Errorf("no baseline: %w; record one with check --record", err)
		}
	case s.origin == ofComparison:
		var c *compare.Comparison
		if c, err = compare.Sounds(m.ctx, File(s.like).Open, m.sound.Open, compare.Settings{}); err == nil {
			readings = c.Readings()
		}
	}
	return readings, err
}
