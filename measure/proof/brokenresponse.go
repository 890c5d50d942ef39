package proof

import (
	"context"
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
)

// watchedDevice is a device whose responses are checked. A response that is not
// finite, is silent, or is shorter than its stimulus is broken, and no claim about
// it holds, whatever an instrument reads in it.
type watchedDevice struct {
	instrument.Device
	fault string // what was wrong with the first broken response; "": nothing
}

// Respond passes the sound to the device, and checks the response.
func (d *watchedDevice) Respond(ctx context.Context, played wave.Source, response wave.Sink) error {
	in, out := &watchedSource{Source: played}, &watchedSink{Sink: response, nonFinite: -1}
	err := d.Device.Respond(ctx, in, out)
	if err == nil && d.fault == "" {
		d.fault = out.fault(in)
	}
	return err
}

// judge fails every claim about a broken response.
func (d *watchedDevice) judge(j measure.Judgement) measure.Judgement {
	if d.fault == "" {
		return j
	}
	j.Verdict = measure.Fail
	j.Got = measure.Reading{Reason: "broken response: " + d.fault, Unit: j.Got.Unit, Frame: -1, Channel: -1}
	return j
}

// watchedSource counts the frames that a device reads.
type watchedSource struct {
	wave.Source
	frames int64
	sounds bool
}

func (s *watchedSource) Read(b dsp.Block) (int, error) {
	n, err := s.Source.Read(b)
	s.frames += int64(n)
	for c := 0; c < len(b) && !s.sounds; c++ {
		for _, v := range b[c][:n] {
			s.sounds = s.sounds || v != 0
		}
	}
	return n, err
}

// watchedSink counts the frames that a device writes.
type watchedSink struct {
	wave.Sink
	frames    int64
	sounds    bool
	nonFinite int64 // its first frame; −1: none
}

func (s *watchedSink) Write(b dsp.Block) error {
	for _, plane := range b {
		largest := 0.0
		for n, v := range plane {
			if v-v != 0 && (s.nonFinite < 0 || s.frames+int64(n) < s.nonFinite) {
				s.nonFinite = s.frames + int64(n)
			}
			largest = max(largest, math.Abs(v))
		}
		s.sounds = s.sounds || largest > 0
	}
	s.frames += int64(b.Frames())
	return s.Sink.Write(b)
}

// fault states what is wrong with a response; "" means nothing.
func (s *watchedSink) fault(in *watchedSource) string {
	switch {
	case s.nonFinite >= 0:
		return fmt.Sprintf("NaN or infinite sample at frame %d", s.nonFinite)
	case s.frames < in.frames:
		return fmt.Sprintf("%d frames came back of %d", s.frames, in.frames)
	case in.sounds && !s.sounds:
		return "silence: every sample is 0"
	}
	return ""
}
