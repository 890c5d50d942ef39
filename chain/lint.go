package chain

import (
	"fmt"

	"github.com/boothbench/boothbench/dsp"
)

// Warnings tells what is doubtful about a chain that can be run: stages in an
// order that defeats them, settings that seldom are meant. Disabled stages are
// not looked at.
func (c *Chain) Warnings() []Problem {
	l := &linter{chain: c}
	l.order()
	l.settings()
	return l.problems
}

type linter struct {
	chain    *Chain
	problems []Problem
}

// warn reports a doubt about a stage, at its header.
func (l *linter) warn(i int, found, hint string) {
	p := Problem{Path: l.chain.Path, Line: 1, Column: 1, Found: found, Hint: hint}
	if i >= 0 {
		p.Line = l.chain.Stages[i].Line
		p.Found = fmt.Sprintf("stage %d (%s) %s", i+1, l.chain.Stages[i].Name, found)
	}
	l.problems = append(l.problems, p)
}

// order looks at which stage comes after which.
func (l *linter) order() {
	limiter, compressor, enabled := -1, -1, 0
	for i, s := range l.chain.Stages {
		if !s.Enabled {
			continue
		}
		enabled++
		after := func(other int) string {
			return fmt.Sprintf("stands after stage %d (%s)", other+1, l.chain.Stages[other].Name)
		}
		if limiter >= 0 {
			switch v := s.Settings.(type) {
			case dsp.GainSettings:
				if v.GainDB > 0 {
					l.warn(i, after(limiter)+" and lifts its ceiling", "put gain ahead of the limiter, or use its drive_db")
				}
			case dsp.LimiterSettings:
				l.warn(i, "is a second limiter", "one at the end is enough")
			case dsp.CompressorSettings, dsp.EqualiserSettings, dsp.HighPassSettings, dsp.ExpanderSettings:
				l.warn(i, after(limiter)+" and can raise peaks over its ceiling", "put the limiter last")
			case dsp.DeEsserSettings:
				l.warn(i, after(limiter), "put the de-esser ahead of the limiter")
			}
		}
		if _, ok := s.Settings.(dsp.ExpanderSettings); ok && compressor >= 0 {
			l.warn(i, after(compressor)+", which raises the noise against the voice first", "put the expander ahead of the compressor")
		}
		switch s.Settings.(type) {
		case dsp.LimiterSettings:
			limiter = i
		case dsp.CompressorSettings:
			compressor = i
		}
	}
	if enabled == 0 {
		l.warn(-1, "no stage is enabled", "the sound passes unchanged")
	}
}

// settings looks at each stage by itself. The bounds are common practice, no
// source.
func (l *linter) settings() {
	ceiling := 0.0
	for _, s := range l.chain.Stages {
		if v, ok := s.Settings.(dsp.LimiterSettings); ok && s.Enabled {
			ceiling = v.CeilingDBTP
		}
	}
	for i, s := range l.chain.Stages {
		if !s.Enabled {
			continue
		}
		switch v := s.Settings.(type) {
		case dsp.HighPassSettings:
			if v.CornerHz > 120 {
				l.warn(i, fmt.Sprintf("has its corner at %g Hz, within the range of a deep voice", v.CornerHz), "60 to 100 Hz is usual for voice")
			}
		case dsp.CompressorSettings:
			if v.ReleaseMs < v.AttackMs {
				l.warn(i, fmt.Sprintf("releases in %g ms, sooner than it attacks in %g ms", v.ReleaseMs, v.AttackMs), "the gain will follow the wave itself")
			}
			if v.ThresholdDBFS > ceiling {
				l.warn(i, fmt.Sprintf("has its threshold at %g dBFS, over the limiter's ceiling", v.ThresholdDBFS), "it will hardly work")
			}
		case dsp.ExpanderSettings:
			if v.ThresholdDBFS > -20 {
				l.warn(i, fmt.Sprintf("has its threshold at %g dBFS, where speech lies", v.ThresholdDBFS), "set it above the room's noise and under the softest speech")
			}
		case dsp.EqualiserSettings:
			if len(v.Bands) == 0 {
				l.warn(i, "has no band", "add [[stage.band]] with shape, centre_hz, gain_db, q")
			}
			for k, b := range v.Bands {
				if b.GainDB > 9 {
					l.warn(i, fmt.Sprintf("raises band %d by %g dB", k+1, b.GainDB), "cut elsewhere before you boost so far")
				}
			}
		case dsp.LimiterSettings:
			if v.DriveDB > 12 {
				l.warn(i, fmt.Sprintf("is driven by %g dB", v.DriveDB), "over 6 dB of limiting is heard on voice; compress first")
			}
		}
	}
}
