// Package model computes what the settings of a chain's stages mean, in the plainest
// code: frame by frame, whole sounds in memory, package math. It shares no filter
// coefficient, detector, smoother or look-ahead with the engine, so that the two can
// be compared.
//
// Two things are taken from package dsp: the coefficients of matched equaliser bands,
// which no formula gives (the proof of the stage alone compares them with the
// analogue filter), and the conversion of a time in ms to frames.
//
// A limiter's model leaves out what only enforces the ceiling: the guard behind its gain,
// and the verification. Both lower single peaks by a little; neither changes the sound
// elsewhere.
package model

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
)

// stage is a stage at a rate in Hz. It returns sound of the same length, late by its
// latency.
type stage interface {
	latency() int
	run(in dsp.Block) dsp.Block
}

// Chain is stages in series. It is a device for instruments.
type Chain struct {
	Settings []any // dsp.CompressorSettings and so on, in the order of the sound
}

// Result is the output of a chain.
type Result struct {
	Sound         dsp.Block // as of a device: longer than the input by LatencyFrames
	LatencyFrames int
	// OverDB has, for each stage, by how much the largest true peak after a limiter's drive
	// exceeds its ceiling; −Inf for other stages.
	OverDB []float64
}

// Run puts a sound (channels x frames) through the stages, at a rate in Hz.
func (c Chain) Run(rate int, in dsp.Block) (Result, error) {
	var stages []stage
	var t Result
	for _, s := range c.Settings {
		made, err := newStage(s, rate, len(in))
		if err != nil {
			return t, err
		}
		stages = append(stages, made)
		t.LatencyFrames += made.latency()
	}
	frames := in.Frames()
	x := dsp.NewBlock(len(in), frames+t.LatencyFrames)
	for i := range x {
		copy(x[i], in[i])
	}
	delay := 0
	for i, s := range stages {
		limits, isLimiter := s.(*limiter)
		if isLimiter && i == len(stages)-1 {
			// The engine cuts what rings on behind the sound's end ahead of the limiter:
			// a cut after it would be an edge that it could not limit.
			for _, plane := range x {
				clear(plane[frames+delay:])
			}
		}
		delay += s.latency()
		x = s.run(x)
		over := math.Inf(-1)
		if isLimiter {
			over = limits.overDB
		}
		t.OverDB = append(t.OverDB, over)
	}
	t.Sound = x
	return t, nil
}

// Respond is Run for a source and a sink.
func (c Chain) Respond(_ context.Context, played wave.Source, response wave.Sink) error {
	f := played.Format()
	var in = make(dsp.Block, f.Channels)
	block := dsp.NewBlock(f.Channels, 4096)
	for {
		n, err := played.Read(block)
		for i := range in {
			in[i] = append(in[i], block[i][:n]...)
		}
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
	}
	t, err := c.Run(f.Rate, in)
	if err != nil {
		return err
	}
	return response.Write(t.Sound)
}

func newStage(settings any, rate, channels int) (stage, error) {
	switch s := settings.(type) {
	case dsp.HighPassSettings:
		return filter{butterworth(s.SlopeDBPerOctave/6, s.CornerHz, true, rate)}, nil
	case dsp.EqualiserSettings:
		return newEqualiser(s, rate, channels)
	case dsp.GainSettings:
		return newEach(s.Channels, decibels(s.GainDB), 0), nil
	case dsp.PolaritySettings:
		return newEach(s.Channels, -1, 0), nil
	case dsp.DelaySettings:
		return newEach(s.Channels, 1, dsp.Frames(s.DelayMs, rate)), nil
	case dsp.CompressorSettings:
		return &compressor{s, rate}, nil
	case dsp.ExpanderSettings:
		return &expander{s, rate}, nil
	case dsp.DeEsserSettings:
		return &deEsser{s, rate}, nil
	case dsp.LimiterSettings:
		return newLimiter(s, rate), nil
	}
	return nil, fmt.Errorf("a stage with %T has no model", settings)
}
