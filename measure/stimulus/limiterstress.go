package stimulus

import (
	"fmt"
	"math/rand/v2"

	"github.com/boothbench/boothbench/dsp"
)

// LimiterStress is a sound that limiters fail on, at levels over their ceiling. Channel 1 has
// it at full level, channel 2 at half and the others at a quarter, so that a shift of the image
// shows. In case 9 each talker is louder on one side. Silence precedes every part but case 8,
// which is loud from its first frame to its last.
type LimiterStress struct {
	Case        int     // 1 to LimiterStressCases
	CeilingDBTP float64 // of the limiter, −60 to 60
	Channels    int     // 0 means two
}

// LimiterStressCases is the number of cases.
const LimiterStressCases = 9

// LimiterStressSet is every case for a ceiling in dBTP.
func LimiterStressSet(ceilingDBTP float64, channels int) []LimiterStress {
	set := make([]LimiterStress, LimiterStressCases)
	for i := range set {
		set[i] = LimiterStress{i + 1, ceilingDBTP, channels}
	}
	return set
}

const (
	stressGap   = 0.2  // s, of silence
	stressBurst = 0.06 // s: three periods of 50 Hz
)

// Kind is "limiter-stress".
func (s LimiterStress) Kind() string { return "limiter-stress" }

// Name describes the case. Its levels are over the ceiling: peaks of the wave in bursts and
// talkers, of the samples elsewhere.
func (s LimiterStress) Name() string {
	return [...]string{
		"bursts +6 dB", "bursts +10 dB", "bursts +20 dB", "fs/4 at 45 degrees", "impulses",
		"alternating runs", "noise bursts", "full level at both ends", "two talkers",
	}[s.Case-1]
}

// Make returns the sound at a rate in Hz.
func (s LimiterStress) Make(rate int) (dsp.Block, error) {
	parts, err := s.parts(rate)
	if err != nil {
		return nil, err
	}
	channels := s.Channels
	if channels == 0 {
		channels = 2
	}
	var main, other []float64
	for _, p := range parts {
		main, other = append(main, p.main...), append(other, p.other...)
	}
	b := dsp.NewBlock(channels, len(main))
	for c := range b {
		near, far := main, other
		if c%2 == 1 && len(other) > 0 {
			near, far = other, main
		}
		gain := [...]float64{1, 0.5, 0.25}[min(c, 2)]
		if len(other) > 0 {
			gain = [...]float64{1, 0.5}[min(c/2, 1)] // a pair of sides each
		}
		for n := range b[c] {
			b[c][n] = gain * near[n]
			if len(far) > 0 {
				b[c][n] += float64(gain * float64(far[n]/4))
			}
		}
	}
	return b, nil
}

// PartAt names the part of the sound that a frame belongs to, "" where there is only one.
// Output that is late by less than the silence between parts still counts to its part.
func (s LimiterStress) PartAt(rate int, frame int64) string {
	parts, err := s.parts(rate)
	if err != nil {
		return ""
	}
	name, from := "", int64(0)
	for _, p := range parts {
		// A part begins with its silence, but only the last 10 ms of that silence count to it.
		if frame >= from+int64(p.silence-rate/100) {
			name = p.name
		}
		from += int64(len(p.main))
	}
	return name
}

// stressPart is a stretch that begins with a number of silent frames. Only the talkers have the
// second voice, other.
type stressPart struct {
	name        string
	silence     int
	main, other []float64
}

func (s LimiterStress) parts(rate int) ([]stressPart, error) {
	switch {
	case s.Case < 1 || s.Case > LimiterStressCases:
		return nil, &dsp.SettingError{Setting: "case", Found: fmt.Sprint(s.Case), Accepted: fmt.Sprintf("1 to %d", LimiterStressCases)}
	case !(s.CeilingDBTP >= -60 && s.CeilingDBTP <= 60):
		return nil, &dsp.SettingError{Setting: "ceiling_dbtp", Found: fmt.Sprintf("%g dBTP", s.CeilingDBTP), Accepted: "-60 to 60 dBTP"}
	case s.Channels < 0 || s.Channels > dsp.MaxChannels:
		return nil, &dsp.SettingError{Setting: "channels", Found: fmt.Sprint(s.Channels), Accepted: fmt.Sprintf("1 to %d", dsp.MaxChannels)}
	case rate < 8000 || rate > dsp.MaxRate:
		return nil, &dsp.SettingError{Setting: "rate", Found: fmt.Sprintf("%d Hz", rate), Accepted: fmt.Sprintf("8000 to %d Hz", dsp.MaxRate)}
	}
	m := stressMaker{rate: rate, ceiling: dsp.DBToAmplitude(s.CeilingDBTP), rng: rand.New(rand.NewPCG(uint64(s.Case), 0x6c696d))}
	switch s.Case {
	case 1:
		m.bursts(6)
	case 2:
		m.bursts(10)
	case 3:
		m.bursts(20)
	case 4:
		m.quarter()
	case 5:
		m.impulses()
	case 6:
		m.alternating()
	case 7:
		m.noise()
	case 8:
		m.ends()
	case 9:
		m.talkers()
	}
	if s.Case != 8 { // and silence at the end
		last := &m.all[len(m.all)-1]
		last.main = append(last.main, make([]float64, m.frames(stressGap))...)
		if last.other != nil {
			last.other = append(last.other, make([]float64, m.frames(stressGap))...)
		}
	}
	return m.all, nil
}
