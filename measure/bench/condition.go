package bench

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"strings"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// Condition is a path with all its settings: one recording is made for each.
type Condition struct {
	Path         *Path
	LevelDBFS    float64
	GainDB       *float64 // nil: the path names none
	LoadOhm      float64  // 0: none
	RateHz       int
	BufferFrames int // 0: the path names none
}

// Conditions returns the conditions of all paths, in the order in which they are to be
// recorded.
func (p *Plan) Conditions() (all []Condition) {
	orOne := func(n int) int { return max(1, n) }
	for _, path := range p.Paths {
		for g := range orOne(len(path.GainsDB)) {
			c := Condition{Path: path, LevelDBFS: path.LevelDBFS[min(g, len(path.LevelDBFS)-1)]}
			if len(path.GainsDB) > 0 {
				c.GainDB = &path.GainsDB[g]
			}
			for l := range orOne(len(path.LoadsOhm)) {
				if len(path.LoadsOhm) > 0 {
					c.LoadOhm = path.LoadsOhm[l]
				}
				for _, rate := range path.RatesHz {
					c.RateHz = rate
					for b := range orOne(len(path.BuffersFrames)) {
						if len(path.BuffersFrames) > 0 {
							c.BufferFrames = path.BuffersFrames[b]
						}
						all = append(all, c)
					}
				}
			}
		}
	}
	return all
}

// Setting describes the condition without its path: "gain 40 dB, load 150 ohm, 48000 Hz".
func (c Condition) Setting() string {
	var parts []string
	if c.GainDB != nil {
		parts = append(parts, fmt.Sprintf("gain %g dB", *c.GainDB))
	}
	if len(c.Path.LoadsOhm) > 0 && c.LoadOhm == 0 {
		parts = append(parts, "no load")
	} else if c.LoadOhm > 0 {
		parts = append(parts, fmt.Sprintf("load %g ohm", c.LoadOhm))
	}
	parts = append(parts, fmt.Sprintf("%d Hz", c.RateHz))
	if c.BufferFrames > 0 {
		parts = append(parts, "buffer "+dsp.Plural(c.BufferFrames, "frame"))
	}
	return strings.Join(parts, ", ")
}

func (c Condition) String() string { return c.Path.Name + ", " + c.Setting() }

// FileName returns the condition in a form that file names allow.
func (c Condition) FileName() string {
	return strings.Trim(strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= '0' && r <= '9', r == '-', r == '.':
			return r
		case r >= 'A' && r <= 'Z':
			return r + 'a' - 'A'
		case r == ',':
			return -1
		}
		return '-'
	}, c.String()), "-")
}

// Item is one stimulus under one condition.
type Item struct {
	Condition
	Test     string
	Stimulus stimulus.Marked
	Unmarked bool // nothing is played: its recordings are recognised by their file names
}

// rangeMarkDBFS is the level of the marks around the tone of −60 dBFS. As loud as that tone,
// they would be too quiet for a path whose noise is above −85 dBFS. They end before the part of
// the tone that is measured by more than the time that gates and automatic gains hold. (own
// choice)
const rangeMarkDBFS = -40

// Items returns the stimuli of a condition in the order in which they are played.
func (p *Plan) Items(c Condition) (all []Item) {
	sum := sha256.Sum256([]byte(c.String()))
	code := binary.BigEndian.Uint32(sum[:]) | 1 // never 0, which means no code
	for _, test := range c.Path.Tests {
		for _, s := range p.signalsOf(test, c.Path, c.LevelDBFS) {
			m := stimulus.Marked{Signal: s.signal, Rate: c.RateHz, Condition: code}
			if _, silent := s.signal.(stimulus.Silence); silent {
				// A louder mark would clip behind the gain for which the path's level was
				// chosen.
				m.MarkDBFS = max(stimulus.LeastMarkDBFS, min(stimulus.MostMarkDBFS, c.LevelDBFS))
			}
			if tone, is := s.signal.(stimulus.Tone); is && test == dynamicRangeTest {
				m.MarkDBFS = max(tone.PeakDBFS, min(rangeMarkDBFS, c.LevelDBFS))
			}
			all = append(all, Item{c, s.name, m, s.unmarked})
		}
	}
	return all
}

// Sound returns all marked stimuli of a condition, one after the other, and the frame at which
// each begins.
func (p *Plan) Sound(c Condition) (sound dsp.Block, begins []int, err error) {
	for _, item := range p.Items(c) {
		begins = append(begins, sound.Frames())
		if item.Unmarked {
			continue
		}
		b, _, err := item.Stimulus.Make()
		if err != nil {
			return nil, nil, err
		}
		if sound == nil {
			sound = make(dsp.Block, len(b))
		}
		if len(b) != len(sound) {
			return nil, nil, fmt.Errorf("%s: %s has %s, the path %d", c, item.Test, dsp.Plural(len(b), "channel"), len(sound))
		}
		for i := range b {
			sound[i] = append(sound[i], b[i]...)
		}
	}
	return sound, begins, nil
}
