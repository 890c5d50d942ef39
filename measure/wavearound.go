package measure

import (
	"errors"
	"fmt"
	"io"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/internal/planes"
)

// Stretch is a short part of one channel: its samples, and the wave between them by the
// interpolator of the fine reading of [TruePeak], a sinc of 256 taps.
type Stretch struct {
	Rate    int
	Channel int
	Frame   int64     // of the first sample
	Samples []float64 // full scale 1.0
	// Between are PerFrame values a frame, from the first sample to the last one, the
	// samples among them.
	Between  []float64
	PerFrame int
}

// pointsPerFrame divides the phases of the interpolator.
const pointsPerFrame = 16

// WaveAround reads frames frames around a frame of one channel. What lies ahead of the
// sound and behind it is silence.
func WaveAround(src wave.Source, channel int, frame int64, frames int) (Stretch, error) {
	f := src.Format()
	if channel < 0 || channel >= f.Channels || frame < 0 || frames < 2 || frames > 1<<16 {
		return Stretch{}, fmt.Errorf("found a stretch of %s around frame %d of channel %d; accepted: 2 to 65536 frames around a frame of channels 1 to %d", dsp.Plural(frames, "frame"), frame, channel+1, f.Channels)
	}
	s := Stretch{Rate: f.Rate, Channel: channel, Frame: max(0, frame-int64(frames/2)), PerFrame: pointsPerFrame}
	const half = fineTaps / 2
	from, length := s.Frame-half, frames+2*half
	sound := make([]float64, length) // with what the interpolator needs around
	if seeker, ok := src.(interface{ SeekFrame(int64) error }); ok && from > 0 {
		if err := seeker.SeekFrame(from); err != nil {
			return Stretch{}, err
		}
	} else if from > 0 {
		if err := passOver(src, from); err != nil {
			return Stretch{}, err
		}
	}
	at := max(0, int(-from)) // ahead of the first frame is silence
	b := dsp.NewBlock(f.Channels, length-at)
	n, err := planes.ReadFull(src, b)
	if err != nil && !errors.Is(err, io.EOF) {
		return Stretch{}, err
	}
	copy(sound[at:], b[channel][:n])
	s.Samples = append(s.Samples, sound[half:half+frames]...)
	bank := fineSinc()
	for i := range s.Samples {
		s.Between = append(s.Between, s.Samples[i])
		if i == frames-1 {
			break
		}
		window := sound[half+i-(half-1) : half+i+half+1]
		for p := 1; p < pointsPerFrame; p++ {
			s.Between = append(s.Between, bank.Read(p*finePhases/pointsPerFrame-1, window))
		}
	}
	return s, nil
}

// passOver reads frames away.
func passOver(src wave.Source, frames int64) error {
	b := dsp.NewBlock(src.Format().Channels, 1<<14)
	for frames > 0 {
		n, err := planes.ReadFull(src, planes.Before(b, int(min(frames, 1<<14))))
		frames -= int64(n)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
	}
	return nil
}
