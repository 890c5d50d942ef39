package planes

import (
	"errors"
	"io"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
)

// Extent is a range of frames, which may extend beyond both ends of a sound.
type Extent struct {
	From   int64
	Frames int
}

// Gather reads ranges of one channel, in the order of their first frames. Outside the sound is
// silence.
func Gather(open func() (wave.Source, error), channel int, parts []Extent) ([][]float64, error) {
	src, err := open()
	if err != nil {
		return nil, err
	}
	defer Close(src)
	all := make([][]float64, len(parts))
	end := int64(0)
	for i, p := range parts {
		all[i] = make([]float64, p.Frames)
		end = max(end, p.From+int64(p.Frames))
	}
	b := dsp.NewBlock(src.Format().Channels, max(1024, min(1<<14, (1<<17)/src.Format().Channels)))
	seeker, seeks := src.(interface{ SeekFrame(int64) error })
	at := int64(0)
	for at < end {
		next := nextNeeded(parts, at)
		if seeks && next > at+4*int64(b.Frames()) {
			switch err := seeker.SeekFrame(next); {
			case errors.Is(err, wave.ErrNoFrame):
				return all, nil // the rest lies after the end
			case errors.Is(err, errors.ErrUnsupported):
				seeks = false // read on up to there
				continue
			case err != nil:
				return nil, err
			}
			at = next
		}
		n, err := ReadFull(src, b)
		for i, p := range parts {
			lo, hi := max(at, p.From), min(at+int64(n), p.From+int64(p.Frames))
			if lo < hi {
				copy(all[i][lo-p.From:], b[channel][lo-at:hi-at])
			}
		}
		at += int64(n)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
	}
	return all, nil
}

// nextNeeded is the first frame, at a given one or after it, that a part needs.
func nextNeeded(parts []Extent, at int64) int64 {
	next := int64(1) << 62
	for _, p := range parts {
		if p.From+int64(p.Frames) > at {
			next = min(next, max(at, p.From))
		}
	}
	return next
}
