package chain

import (
	"fmt"

	"github.com/boothbench/boothbench/chain/tomlfile"
	"github.com/boothbench/boothbench/dsp"
)

// Settings that a voice chain seldom needs; common practice, no source.
const (
	highestVoiceCornerHz = 120
	muchDriveDB          = 12
	muchBoostDB          = 9
	speechDBFS           = -20
	resonanceDB          = 3 // beyond the gain that is set
)

// Warnings lists what is allowed but probably not meant: an order of stages in which one
// undoes another's work, and doubtful settings. Found says what, Hint what to do.
// Disabled stages count only if all are disabled.
func (c *Chain) Warnings() []tomlfile.Problem {
	l := &linter{chain: c}
	if c.Text != nil {
		l.places = tomlfile.NewPlaces(c.Path, c.Text)
	}
	enabled := 0
	for i, s := range c.Stages {
		if s.Enabled {
			enabled++
			l.settings(i, s)
			l.order(i, s)
			l.before = append(l.before, i)
		}
	}
	switch {
	case len(c.Stages) == 0:
		l.found = append(l.found, tomlfile.Problem{Path: c.Path, Found: "no stage: the sound passes unchanged", Hint: "add [[stage]] tables"})
	case enabled == 0:
		l.found = append(l.found, tomlfile.Problem{Path: c.Path, Found: "every stage is disabled: the sound passes unchanged", Hint: "set enabled = true where a stage should work"})
	}
	return tomlfile.InOrder(l.found)
}

type linter struct {
	chain  *Chain
	places *tomlfile.Places
	before []int // the enabled stages before the current one
	found  []tomlfile.Problem
}

func (l *linter) warn(i int, key, hint, found string, args ...any) {
	l.found = append(l.found, l.chain.point(l.places, i, key, tomlfile.Problem{
		Key: label(i+1, l.chain.Stages[i]), Found: fmt.Sprintf(found, args...), Hint: hint,
	}))
}

// ahead is the last enabled stage of a kind before the current one, as a number from 1;
// 0: there is none.
func (l *linter) ahead(kind string) int {
	number := 0
	for _, i := range l.before {
		if l.chain.Stages[i].Kind == kind {
			number = i + 1
		}
	}
	return number
}

// ceiling is the last enabled stage before the current one that keeps a ceiling, as a
// number from 1; 0: there is none.
func (l *linter) ceiling() int {
	number := 0
	for _, i := range l.before {
		if _, keeps := l.chain.Stages[i].ceiling(); keeps {
			number = i + 1
		}
	}
	return number
}

func (l *linter) order(i int, s Stage) {
	limiter, compressor := l.ceiling(), l.ahead("compressor")
	const moveAhead = "move it ahead of the limiter"
	if limiter > 0 {
		warned := len(l.found)
		switch v := s.Settings.(type) {
		case dsp.GainSettings:
			if v.GainDB > 0 {
				l.warn(i, "gain_db", moveAhead+" or raise the limiter's drive_db", "%+g dB after the limiter (stage %d) lifts its peaks over the ceiling", v.GainDB, limiter)
			}
		case dsp.CompressorSettings:
			if v.MakeupDB > 0 {
				l.warn(i, "makeup_db", moveAhead, "%+g dB of make-up after the limiter (stage %d) lifts its peaks over the ceiling", v.MakeupDB, limiter)
			}
		case dsp.EqualiserSettings, dsp.HighPassSettings:
			l.warn(i, "kind", moveAhead, "a filter after the limiter (stage %d) changes the wave and can lift its peaks over the ceiling", limiter)
		case dsp.DeEsserSettings:
			l.warn(i, "kind", moveAhead, "it follows the limiter (stage %d): it works on a limited voice, and its filter can lift peaks over the ceiling", limiter)
		case dsp.CeilingKeeper:
			l.warn(i, "kind", "keep the last one", "a second limiter: stage %d is one already", limiter)
		}
		if c, _ := l.chain.Stages[limiter-1].ceiling(); c.Verified && len(l.found) == warned {
			l.warn(i, "kind", moveAhead, "it follows the limiter (stage %d), whose verification holds its own output: what comes after, the dither too, can exceed the ceiling", limiter)
		}
	}
	switch v := s.Settings.(type) {
	case dsp.ExpanderSettings:
		if compressor > 0 {
			l.warn(i, "kind", "move it ahead of the compressor", "it follows the compressor (stage %d), which brings the noise closer to the voice first", compressor)
		}
	case dsp.CompressorSettings:
		if n := l.ahead("expander"); n > 0 {
			if e, ok := l.chain.Stages[n-1].Settings.(dsp.ExpanderSettings); ok && e.ThresholdDBFS >= v.ThresholdDBFS {
				l.warn(i, "threshold_dbfs", "lower the expander's threshold", "its threshold, %g dBFS, is not over that of the expander (stage %d), %g dBFS: what it works on is lowered before", v.ThresholdDBFS, n, e.ThresholdDBFS)
			}
		}
	case dsp.CeilingKeeper:
		if c := v.Ceiling(); compressor > 0 {
			if k, ok := l.chain.Stages[compressor-1].Settings.(dsp.CompressorSettings); ok && k.ThresholdDBFS+k.MakeupDB > c.DBTP-c.DriveDB {
				l.warn(compressor-1, "threshold_dbfs", "lower the threshold", "its threshold, with make-up and the limiter's drive at %.6g dBFS, is over the ceiling of the limiter (stage %d), %g dBTP: all the work is left to the limiter",
					k.ThresholdDBFS+k.MakeupDB+c.DriveDB, i+1, c.DBTP)
			}
		}
	}
}

func (l *linter) settings(i int, s Stage) {
	switch v := s.Settings.(type) {
	case dsp.HighPassSettings:
		if v.CornerHz > highestVoiceCornerHz {
			l.warn(i, "corner_hz", "60 to 100 Hz is usual", "a corner at %g Hz thins a voice (%s)", v.CornerHz, practice)
		}
	case dsp.ExpanderSettings:
		l.times(i, v.AttackMs, v.ReleaseMs)
		l.noEffect(i, v.Ratio, v.RangeDB)
		if v.ThresholdDBFS > speechDBFS {
			l.warn(i, "threshold_dbfs", "set it over the noise of the room and under the softest speech", "a threshold at %g dBFS is at the level of speech (%s)", v.ThresholdDBFS, practice)
		}
	case dsp.EqualiserSettings:
		most := 0.0
		for j, b := range v.Bands {
			own, hz := dsp.EqualiserSettings{Bands: []dsp.Band{b}}.LargestGain()
			switch {
			case b.Shape != dsp.Notch && own > max(0, b.GainDB)+resonanceDB:
				l.warn(i, bandPrefix(j)+"q", "a shelf with a q of 0.7071 or less does not resonate", "band %d, a shelf of %+g dB, resonates: with a q of %g it raises %.0f Hz by %.1f dB", j+1, b.GainDB, b.Q, hz, own)
			case b.Shape != dsp.Notch && b.GainDB > muchBoostDB:
				l.warn(i, bandPrefix(j)+"gain_db", "cut elsewhere before you boost so far", "band %d is raised by %g dB (%s)", j+1, b.GainDB, practice)
			}
			most = max(most, own)
		}
		if db, hz := v.LargestGain(); db > muchBoostDB && db > most+resonanceDB {
			l.warn(i, "kind", "lower the gains, or move the bands apart", "its bands add up: together they raise %.0f Hz by %.1f dB", hz, db)
		}
	case dsp.CompressorSettings:
		l.times(i, v.AttackMs, v.ReleaseMs)
		l.noEffect(i, v.Ratio, 1)
	case dsp.DeEsserSettings:
		l.times(i, v.AttackMs, v.ReleaseMs)
		l.noEffect(i, v.Ratio, v.RangeDB)
		if v.CentreHz < v.KeyLowHz || v.CentreHz > v.KeyHighHz {
			l.warn(i, "centre_hz", "put it between key_low_hz and key_high_hz", "it lowers %g Hz but its detector uses %g to %g Hz", v.CentreHz, v.KeyLowHz, v.KeyHighHz)
		}
	case dsp.CeilingKeeper:
		if c := v.Ceiling(); c.DriveDB > muchDriveDB {
			l.warn(i, "drive_db", "for a take that is not that soft, compress first, or aim lower", "%+g dB of drive limits every peak above %.1f dBFS ahead of it (%s)", c.DriveDB, c.DBTP-c.DriveDB, practice)
		}
	}
}

func (l *linter) times(i int, attackMs, releaseMs float64) {
	if releaseMs < attackMs {
		l.warn(i, "release_ms", "make the release the longer one", "release %g ms is shorter than attack %g ms", releaseMs, attackMs)
	}
}

func (l *linter) noEffect(i int, ratio, rangeDB float64) {
	switch {
	case ratio == 1:
		l.warn(i, "ratio", "raise it or set enabled = false", "with ratio 1 it does nothing")
	case rangeDB == 0:
		l.warn(i, "range_db", "raise it or set enabled = false", "with range 0 dB it does nothing")
	}
}
