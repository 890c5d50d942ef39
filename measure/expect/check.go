package expect

import (
	"context"
	"fmt"
	"slices"

	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
)

// Checked is a file or chain and how it stands to its limits.
type Checked struct {
	Subject    string
	Judgements []measure.Judgement
	Err        error // why it could not be measured
}

// Passed tells whether all limits are met.
func (c Checked) Passed() bool {
	return c.Err == nil && !slices.ContainsFunc(c.Judgements, func(j measure.Judgement) bool { return j.Verdict != measure.Pass })
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
	m := &measured{sound: File(file).until(ctx)}
	for _, g := range l.Groups {
		if !g.Covers(file) {
			continue
		}
		for _, limit := range g.Limits {
			kind, _ := instrumentOf(limit.Reading)
			readings, err := m.readings(kind, g)
			if err != nil {
				checked.Err = err
				return checked
			}
			checked.Judgements = append(checked.Judgements, measure.Judge(file, m.format.Rate, readings, limit))
		}
	}
	return checked
}

// measured is a sound and what has been read of it.
type measured struct {
	sound  Sound
	format wave.Format
	known  map[instrument]measure.Readings
}

func (m *measured) readings(kind instrument, g Group) (measure.Readings, error) {
	if r, ok := m.known[kind]; ok {
		return r, nil
	}
	readings, err := m.take(kind, g)
	if err != nil {
		return nil, err
	}
	if m.known == nil {
		m.known = map[instrument]measure.Readings{}
	}
	m.known[kind] = readings
	return readings, nil
}

func (m *measured) take(kind instrument, g Group) (readings measure.Readings, err error) {
	if kind == ofInspection {
		in, err := measure.InspectTake(m.sound.Open)
		if err != nil {
			return nil, err
		}
		return in.Readings, nil
	}
	err = m.sound.read(func(src wave.Source) (err error) {
		m.format = src.Format()
		readings, err = measure.Programme(src, measure.AsIs)
		return err
	})
	return readings, err
}
