package chain

import (
	"errors"
	"fmt"

	"github.com/boothbench/boothbench/chain/tomlfile"
	"github.com/boothbench/boothbench/dsp"
)

// Check reports what depends on a sound's format: frequencies at or above the Nyquist
// frequency, channels that the sound does not have, and other settings that a stage's
// constructor refuses. Disabled stages are not checked. The error is a
// *tomlfile.FileError, except for a rate or a number of channels that no chain accepts.
func (c *Chain) Check(rate, channels int) error {
	_, err := c.build(rate, channels)
	return err
}

// build checks the chain and builds its enabled stages; a disabled one is nil.
func (c *Chain) build(rate, channels int) ([]dsp.Processor, error) {
	if rate < dsp.MinRate || rate > dsp.MaxRate || channels < 1 || channels > dsp.MaxChannels {
		return nil, fmt.Errorf("found %s at %d Hz; accepted: 1 to %d channels at %d to %d Hz", dsp.Plural(channels, "channel"), rate, dsp.MaxChannels, dsp.MinRate, dsp.MaxRate)
	}
	k := checker{chain: c, rate: rate, channels: channels, kinds: allKinds()}
	if c.Text != nil {
		k.places = tomlfile.NewPlaces(c.Path, c.Text)
	}
	built := make([]dsp.Processor, len(c.Stages))
	for i, s := range c.Stages {
		if s.Enabled {
			built[i] = k.stage(i, s)
		}
	}
	if err := tomlfile.NewFileError(c.Path, k.problems); err != nil {
		return nil, err
	}
	return built, nil
}

type checker struct {
	chain          *Chain
	rate, channels int
	kinds          []Kind
	places         *tomlfile.Places // nil for a chain that comes from no file
	problems       []tomlfile.Problem
}

// stage builds a stage, or reports why it cannot be built.
func (k *checker) stage(i int, s Stage) dsp.Processor {
	before := len(k.problems)
	kind := kindNamed(k.kinds, s.Kind)
	if kind != nil && kind.holds(s.Settings) {
		k.fields(i, kind.Fields, kind.edit(s.Settings), "")
		if kind.bands != nil {
			for j, b := range kind.bands(s.Settings) {
				if !b.Optional {
					k.fields(i, kind.Bands, &b, bandPrefix(j))
				}
			}
		}
	}
	if len(k.problems) > before {
		return nil
	}
	p, err := s.Build(k.rate, k.channels)
	if e := (*dsp.SettingError)(nil); errors.As(err, &e) {
		k.report(i, e.Setting, tomlfile.Problem{Key: e.Setting, Found: "found " + e.Found, Accepted: e.Accepted})
	} else if err != nil {
		k.report(i, "", tomlfile.Problem{Key: label(i+1, s), Found: err.Error()})
	}
	return p
}

func (k *checker) fields(i int, fields []Field, settings any, prefix string) {
	nyquist := float64(k.rate) / 2
	for _, f := range fields {
		v := f.get(settings)
		if f.Unit == "Hz" && v.number >= nyquist {
			found := "found"
			if _, given := k.chain.Stages[i].given[prefix+f.Key]; !given {
				if s := k.chain.Stages[i]; s.Line > 0 { // it comes from a file
					found = "left at its default,"
				}
			}
			k.report(i, prefix+f.Key, tomlfile.Problem{Key: f.Key, Accepted: "below " + plain(nyquist) + " Hz",
				Found: fmt.Sprintf("%s %s Hz, not below %s Hz, the Nyquist frequency of this sound (half its rate of %d Hz)", found, plain(v.number), plain(nyquist), k.rate)})
		}
		for _, c := range v.list {
			if c > k.channels {
				k.report(i, prefix+f.Key, tomlfile.Problem{Key: f.Key, Found: fmt.Sprintf("found channel %d", c),
					Accepted: fmt.Sprintf("1 to %d, the channels of this sound", k.channels)})
			}
		}
	}
}

// report puts a problem at a key of a stage, or at the stage where the file
// does not name the key.
func (k *checker) report(i int, key string, p tomlfile.Problem) {
	k.problems = append(k.problems, k.chain.point(k.places, i, key, p))
}

// point puts a problem at a key of a stage, or else at the stage. A chain that comes from
// no file has no places: then the problem names the stage.
func (c *Chain) point(places *tomlfile.Places, i int, key string, p tomlfile.Problem) tomlfile.Problem {
	s := c.Stages[i]
	if places == nil || s.Line == 0 {
		if p.Path = c.Path; p.Key != label(i+1, s) {
			p.Key = label(i+1, s) + ": " + p.Key
		}
		return p
	}
	at, given := s.given[key]
	if !given {
		at = s.at
	}
	return places.Point(at, p)
}
