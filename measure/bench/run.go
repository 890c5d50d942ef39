package bench

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"math"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/instrument"
)

// Run plays all stimuli of a plan through a device and returns the sheet. The device may differ
// by condition, such as a command that takes the gain as an argument. Shown is called before
// each recording.
func Run(ctx context.Context, p *Plan, device func(Condition) (instrument.Device, error), shown func(what string, i, of int)) (*Sheet, error) {
	c, err := NewCollector(p)
	if err != nil {
		return nil, err
	}
	for n, condition := range c.conditions {
		d, err := device(condition)
		if err != nil {
			return nil, err
		}
		sound, _, err := p.Sound(condition)
		if err != nil {
			return nil, err
		}
		for repeat := range p.Repeats {
			shown(condition.String(), n*p.Repeats+repeat, len(c.conditions)*p.Repeats)
			if sound != nil {
				if err := c.record(ctx, d, condition.FileName(), repeat, condition.RateHz, sound); err != nil {
					return nil, err
				}
			}
			for _, item := range c.items[n] {
				if !item.Unmarked {
					continue
				}
				silence, err := item.Stimulus.Signal.Make(item.RateHz)
				if err != nil {
					return nil, err
				}
				if err := c.record(ctx, d, condition.FileName()+"-"+item.Test, repeat, condition.RateHz, silence); err != nil {
					return nil, err
				}
			}
		}
	}
	return c.Sheet(), nil
}

// record sends the sound to the device and adds the response to the sheet.
func (c *Collector) record(ctx context.Context, d instrument.Device, name string, repeat, rate int, sound dsp.Block) error {
	response, err := instrument.Respond(ctx, d, rate, sound)
	if err != nil {
		return err
	}
	c.Add(fmt.Sprintf("%s-%d.wav", name, repeat+1), digestOf(response), instrument.Recording{Sound: response, Rate: rate})
	return nil
}

// digestOf returns the SHA-256 of samples as 64-bit floating point, little-endian, one channel
// after the other. It identifies a recording that is not a file.
func digestOf(b dsp.Block) string {
	sum := sha256.New()
	var bytes [1 << 15]byte
	for _, plane := range b {
		for part := range slices.Chunk(plane, len(bytes)/8) {
			for n, v := range part {
				binary.LittleEndian.PutUint64(bytes[8*n:], math.Float64bits(v))
			}
			sum.Write(bytes[:8*len(part)])
		}
	}
	return hex.EncodeToString(sum.Sum(nil))
}
