package expect

import (
	"context"
	"errors"
	"fmt"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
)

// Device turns one whole sound into another: planar, channels x frames, full scale
// 1.0, at a rate in Hz. Each call is a new run, from rest. The planes given are the
// device's own: it may work in place. It returns as many channels and at least as
// many frames.
type Device interface {
	Process(rate int, planes [][]float64) ([][]float64, error)
}

// DeviceFunc is a Device that is a function.
type DeviceFunc func(rate int, planes [][]float64) [][]float64

// Process calls the function.
func (f DeviceFunc) Process(rate int, planes [][]float64) ([][]float64, error) {
	if f == nil {
		return nil, errNoDevice
	}
	return f(rate, planes), nil
}

// InBlocks is a Device that works in place, block by block. The function makes a
// processor for a new run; what it returns is called with one block after the other.
// [SameBits] gives such a device blocks of many sizes.
type InBlocks func(rate, channels int) func(block [][]float64)

// defaultBlock is the block size where no test of sizes asks for another: 10 ms at
// 48 kHz. (common practice, no source)
const defaultBlock = 480

// Process runs a sound through a new processor in blocks of 480 frames.
func (f InBlocks) Process(rate int, planes [][]float64) ([][]float64, error) {
	return f.inBlocks(rate, planes, func(int) int { return defaultBlock })
}

// inBlocks runs a sound in blocks whose sizes a function gives by their number.
func (f InBlocks) inBlocks(rate int, planes [][]float64, size func(i int) int) ([][]float64, error) {
	if f == nil {
		return nil, errNoDevice
	}
	process := f(rate, len(planes))
	if process == nil {
		return nil, errors.New("found no processor: the function that makes one returned nil")
	}
	frames := dsp.Block(planes).Frames()
	for i, from := 0, 0; from < frames; i++ {
		to := min(frames, from+size(i))
		block := make([][]float64, len(planes))
		for c := range planes {
			block[c] = planes[c][from:to:to]
		}
		process(block)
		from = to
	}
	return planes, nil
}

// Responding is a Device of what package instrument measures, such as a
// *chain.Chain or an *instrument.Command.
func Responding(d instrument.Device) Device { return responding{d} }

type responding struct{ device instrument.Device }

func (r responding) Process(rate int, planes [][]float64) ([][]float64, error) {
	return instrument.Respond(context.Background(), r.device, rate, planes)
}

// Processor is a device under test. It has a name for failure messages, and a rate in Hz
// and a number of channels for the tests.
type Processor struct {
	Name     string // "": the processor
	RateHz   int    // 0 stands for 48000
	Channels int    // 0 stands for one
	Device   Device
}

func (p Processor) name() string {
	if p.Name == "" {
		return "the processor"
	}
	return p.Name
}

func (p Processor) rate() int {
	if p.RateHz == 0 {
		return 48000
	}
	return p.RateHz
}

func (p Processor) channels() int { return max(1, p.Channels) }

var errNoDevice = errors.New("found no device: nil; accepted: a DeviceFunc, InBlocks, Responding or another Device")

// run puts a sound through the device and checks the shape of the output. The
// sound itself is not changed.
func (p Processor) run(sound [][]float64) (dsp.Block, error) {
	if p.Device == nil {
		return nil, errNoDevice
	}
	return p.checked(sound, func(own [][]float64) ([][]float64, error) { return p.Device.Process(p.rate(), own) })
}

func (p Processor) checked(sound [][]float64, process func(own [][]float64) ([][]float64, error)) (dsp.Block, error) {
	if p.rate() < dsp.MinRate || p.rate() > dsp.MaxRate {
		return nil, fmt.Errorf("found a rate of %d Hz; accepted: %d to %d Hz", p.rate(), dsp.MinRate, dsp.MaxRate)
	}
	own := make([][]float64, len(sound))
	for c, plane := range sound {
		own[c] = append([]float64(nil), plane...)
	}
	out, err := process(own)
	if err != nil {
		return nil, err
	}
	if len(out) != len(sound) {
		return nil, fmt.Errorf("found %s in what the device returns; accepted: %d, as many as it was given", dsp.Plural(len(out), "channel"), len(sound))
	}
	for c, plane := range out {
		if len(plane) != len(out[0]) {
			return nil, fmt.Errorf("channel %d of what the device returns has %s, channel 1 has %d; accepted: equal lengths", c+1, dsp.Plural(len(plane), "frame"), len(out[0]))
		}
		if len(plane) < len(sound[c]) {
			return nil, fmt.Errorf("found %s in channel %d of what the device returns; accepted: at least %d, as many as it was given", dsp.Plural(len(plane), "frame"), c+1, len(sound[c]))
		}
	}
	return out, nil
}

// Of is the processor's output for a sound. It can be given to the assertions that take a
// Sound: [Null], [SameSound], [Latency], [TruePeakAtMost] and the rest. Rate and channels
// are those of the sound.
func (p Processor) Of(s Sound) Sound {
	return Sound{p.name() + " of " + s.name, func() (wave.Source, error) {
		var format wave.Format
		var sound dsp.Block
		err := s.read(func(src wave.Source) error {
			format = src.Format()
			sound = make(dsp.Block, format.Channels)
			return measure.EachBlock(context.Background(), src, func(b dsp.Block) {
				for c := range sound {
					sound[c] = append(sound[c], b[c]...)
				}
			})
		})
		if err != nil {
			return nil, err
		}
		p.RateHz, p.Channels = format.Rate, format.Channels
		out, err := p.run(sound)
		if err != nil {
			return nil, err
		}
		return wave.NewMemory(wave.Unquantised(format.Rate, format.Channels), out), nil
	}}
}
