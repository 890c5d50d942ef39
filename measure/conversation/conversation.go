package conversation

import (
	"context"
	"fmt"

	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/internal/planes"
)

// Microphone is a recording of one microphone of a conversation.
type Microphone struct {
	Name    string
	Open    func() (wave.Source, error) // called several times; the sound need not fit in memory
	Channel int                         // of the sound, from 0
}

// Conversation is the measurement of several microphones of one conversation relative to each
// other.
type Conversation struct {
	Rate        int     `json:"rate_hz"`
	Microphones []OfOne `json:"microphones"` // in the given order
	Paths       []Path  `json:"paths"`       // of every voice into every other microphone
	Pairs       []Pair  `json:"pairs"`       // of microphones, each pair once
	// LevelDifferenceLU is the loudness of the loudest voice less that of the quietest, each in
	// its own microphone; nil: fewer than two voices have a loudness.
	LevelDifferenceLU *float64 `json:"level_difference_lu"`
}

// OfOne is one microphone and the voice that is loudest in it.
type OfOne struct {
	Name   string `json:"name"`
	Frames int64  `json:"frames"`
	// LoudnessLUFS is the gated loudness (Rec. ITU-R BS.1770-5) of the 400 ms blocks in which
	// this microphone has only its own voice; nil: Reason states why.
	LoudnessLUFS *float64 `json:"voice_lufs"`
	AloneSeconds float64  `json:"voice_alone_s"` // time in which only this voice speaks
	Reason       string   `json:"reason,omitempty"`
}

// Path is the path of a voice from its own microphone into another one.
type Path struct {
	Voice      int `json:"voice"`      // index of its own microphone, from 0
	Microphone int `json:"microphone"` // index of the other one
	// BleedDB is the power of the voice in the other microphone relative to that in its own,
	// both K-weighted, while it speaks alone. Echoes of the room count, noise does not.
	BleedDB *float64 `json:"bleed_db"`
	// BleedAtMostDB is an upper bound of a bleed that was not found: the whole sound of the
	// other microphone while the voice speaks alone. It holds for delays of up to five seconds.
	// nil: the bleed was found, or Reason states why there is no bound.
	BleedAtMostDB *float64 `json:"bleed_at_most_db"`
	// BleedDeviationDB is the standard error of BleedDB. It is larger where a part of the other
	// microphone's sound does not follow the voice, because of echoes, a moving head, or
	// another person.
	BleedDeviationDB *float64 `json:"bleed_deviation_db"`
	// DelayFrames is by how many frames the voice arrives later in the other microphone, at the
	// start of its own recording.
	DelayFrames *float64 `json:"delay_frames"`
	// DelayDeviationFrames is the standard error of DelayFrames, from noise, echoes and moving
	// heads.
	DelayDeviationFrames *float64 `json:"delay_deviation_frames"`
	Inverted             *bool    `json:"inverted"` // the polarity is inverted in the other microphone
	// Reason states why readings are nil.
	Reason string `json:"reason,omitempty"`
}

// Pair compares two microphones.
type Pair struct {
	A int `json:"a"`
	B int `json:"b"`
	// OffsetFrames is by how many frames B started earlier than A: a sound halfway between the
	// two appears this much later in B. It is half of the difference of the two voices' delays,
	// on the assumption that their paths are equally long.
	OffsetFrames *float64 `json:"offset_frames"`
	// PathFrames is the time in frames that sound takes from one microphone to the other, on
	// the same assumption: half of the sum of the two delays.
	PathFrames *float64 `json:"path_frames"`
	DriftPPM   *float64 `json:"drift_ppm"` // by how much B's clock runs faster
	// DriftDeviationPPM is the standard error of DriftPPM. A head that moves steadily away from
	// one microphone looks like a drift, unless the other voice's delay contradicts it.
	DriftDeviationPPM *float64 `json:"drift_deviation_ppm"`
	Inverted          *bool    `json:"inverted"`
	Reason            string   `json:"reason,omitempty"`
}

// A FormatError reports a recording that does not match the others.
type FormatError struct {
	Name string
	Text string
}

func (e *FormatError) Error() string { return e.Name + ": " + e.Text }

// Measure measures the microphones of one conversation. It searches delays of up to five
// seconds. If step is not nil, it is called after each step with the numbers of steps done and
// in all.
func Measure(ctx context.Context, microphones []Microphone, step func(done, of int)) (*Conversation, error) {
	if len(microphones) < 2 {
		return nil, fmt.Errorf("found %d microphone; accepted: two or more of one conversation", len(microphones))
	}
	m := &measurement{step: func() {}}
	if step != nil {
		done, paths := 0, len(microphones)*(len(microphones)-1)
		m.step = func() {
			done++
			step(done, len(microphones)+3*paths)
		}
	}
	for _, mic := range microphones {
		mic.Open = planes.Until(ctx, mic.Open)
		l, err := levelsOf(mic)
		if err != nil {
			return nil, err
		}
		if len(m.mics) == 0 {
			m.rate = l.rate
		}
		if l.rate != m.rate {
			return nil, &FormatError{mic.Name, fmt.Sprintf("found %d Hz; accepted: %d Hz, as %s has", l.rate, m.rate, microphones[0].Name)}
		}
		m.mics = append(m.mics, l)
		m.step()
	}
	if err := m.align(); err != nil {
		return nil, err
	}
	if err := m.measurePaths(); err != nil {
		return nil, err
	}
	return m.result(), nil
}

// Channels returns the channels of one sound as microphones. If there are several, they are
// numbered from 1.
func Channels(name string, channels int, open func() (wave.Source, error)) (all []Microphone) {
	for channel := range channels {
		one := Microphone{Name: name, Open: open, Channel: channel}
		if channels > 1 {
			one.Name = fmt.Sprintf("%s channel %d", name, channel+1)
		}
		all = append(all, one)
	}
	return all
}
