package main

import (
	"math/rand/v2"

	"github.com/boothbench/boothbench/dsp"
)

// The conversation's microphones: two people at a table, each in front of a microphone. Each
// voice also bleeds into the other microphone, at a lower level and later.
const (
	hostTake, guestTake             = "testdata/conversation/host.wav", "testdata/conversation/guest.wav"
	conversationRate                = 16000
	hostInGuestDB, hostInGuestLater = -18, 40 // dB, frames: 2.5 ms, 0.9 m
	guestInHostDB, guestInHostLater = -21, 44
)

// converse returns what the two microphones record: the readings in turn, the second
// voice 4 dB lower, and noise of each microphone.
func converse() (host, guest []float64, err error) {
	first, err := load("testdata/source/reading-1.wav")
	if err != nil {
		return nil, nil, err
	}
	second, err := load("testdata/source/reading-2.wav")
	if err != nil {
		return nil, nil, err
	}
	const pause = conversationRate * 6 / 10
	half := len(first) / 2
	frames := 4*pause + len(first) + len(second)
	hostVoice, guestVoice := make([]float64, frames), make([]float64, frames)
	at := pause
	for _, turn := range []struct {
		voice, sound []float64
		gainDB       float64
	}{{hostVoice, first[:half], -3}, {guestVoice, second, -7}, {hostVoice, first[half:], -3}} {
		gain := dsp.DBToAmplitude(turn.gainDB)
		for n, x := range faded(turn.sound) {
			turn.voice[at+n] = gain * x
		}
		at += len(turn.sound) + pause
	}
	host = microphone(hostVoice, guestVoice, guestInHostDB, guestInHostLater, 1)
	guest = microphone(guestVoice, hostVoice, hostInGuestDB, hostInGuestLater, 2)
	return host, guest, nil
}

// microphone is a voice, another voice at a lower level and later, and noise at −66 dBFS.
func microphone(own, other []float64, bleedDB float64, later int, seed uint64) []float64 {
	rng := rand.New(rand.NewPCG(2026, seed))
	gain, noise := dsp.DBToAmplitude(bleedDB), dsp.DBToAmplitude(-66)
	sound := make([]float64, len(own))
	for n := range sound {
		sound[n] = own[n] + float64(noise*rng.NormFloat64())
		if n >= later {
			sound[n] += float64(gain * other[n-later])
		}
	}
	return sound
}
