package wave

import (
	"errors"
	"fmt"

	"github.com/go-audio/audio"

	"github.com/boothbench/boothbench/dsp"
)

// ToFloatBuffer copies planar sound into go-audio's interleaved buffer, its
// samples as they are: full scale 1.0.
func ToFloatBuffer(b dsp.Block, rate int) *audio.FloatBuffer {
	buf := &audio.FloatBuffer{
		Format: &audio.Format{NumChannels: len(b), SampleRate: rate},
		Data:   make([]float64, len(b)*b.Frames()),
	}
	for c, plane := range b {
		for n, x := range plane {
			buf.Data[n*len(b)+c] = x
		}
	}
	return buf
}

// FromFloatBuffer copies go-audio's interleaved buffer into planar sound, its
// samples as they are.
func FromFloatBuffer(buf *audio.FloatBuffer) (dsp.Block, error) {
	if buf == nil || buf.Format == nil {
		return nil, errors.New("the buffer has no format; accepted: an audio.FloatBuffer with its Format set")
	}
	channels := buf.Format.NumChannels
	if channels < 1 || channels > dsp.MaxChannels {
		return nil, fmt.Errorf("the buffer has %s; accepted: 1 to %d", dsp.Plural(channels, "channel"), dsp.MaxChannels)
	}
	if part := len(buf.Data) % channels; part != 0 {
		return nil, fmt.Errorf("the buffer's last frame has %d of %d samples; accepted: whole frames", part, channels)
	}
	b := dsp.NewBlock(channels, len(buf.Data)/channels)
	for c, plane := range b {
		for n := range plane {
			plane[n] = buf.Data[n*channels+c]
		}
	}
	return b, nil
}
