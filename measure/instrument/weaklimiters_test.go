package instrument

import (
	"context"
	"errors"
	"io"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
)

// inMemory is a device that processes the whole sound at once.
type inMemory func(rate int, b dsp.Block) dsp.Block

func (d inMemory) Respond(_ context.Context, stimulus wave.Source, response wave.Sink) error {
	var whole dsp.Block
	part := dsp.NewBlock(stimulus.Format().Channels, 1000)
	whole = make(dsp.Block, len(part))
	for {
		n, err := stimulus.Read(part)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		for c := range whole {
			whole[c] = append(whole[c], part[c][:n]...)
		}
	}
	return response.Write(d(stimulus.Format().Rate, whole))
}

// weakLimiter is a limiter with selectable faults. Its gain follows the largest sample of the
// next milliseconds, smoothed over the same time.
type weakLimiter struct {
	ceilingDBTP float64
	lookMs      float64 // 0: it detects a peak only when it has passed
	unlinked    bool
	edges       bool // the first and the last look-ahead are not limited
}

func (w weakLimiter) device() inMemory {
	return func(rate int, b dsp.Block) dsp.Block {
		ceiling := math.Pow(10, w.ceilingDBTP/20)
		look := int(w.lookMs * float64(rate) / 1000)
		frames := b.Frames()
		out := dsp.NewBlock(len(b), frames)
		for c := range b {
			wanted := make([]float64, frames) // gain
			for n := range wanted {
				peak := math.Abs(b[c][n])
				if !w.unlinked {
					for d := range b {
						peak = max(peak, math.Abs(b[d][n]))
					}
				}
				wanted[n] = min(1, ceiling/peak)
			}
			if look == 0 {
				gain := 1.0
				for n := range out[c] {
					out[c][n] = b[c][n] * gain
					if wanted[n] < gain {
						gain += (wanted[n] - gain) / 4
					} else {
						gain += (1 - gain) / float64(rate) * 100
					}
				}
				continue
			}
			// The least gain wanted within the look-ahead on both sides, averaged over the
			// look-ahead: an exact sample-peak limiter.
			least := make([]float64, frames)
			for n := range least {
				least[n] = 1
				for k := max(0, n-look); k <= min(frames-1, n+look); k++ {
					least[n] = min(least[n], wanted[k])
				}
			}
			for n := range out[c] {
				sum := 0.0
				for k := n - look; k <= n+look; k++ {
					sum += least[min(max(k, 0), frames-1)]
				}
				g := sum / float64(2*look+1)
				if w.edges && (n < look || n >= frames-look) {
					g = 1
				}
				out[c][n] = g * b[c][n]
			}
		}
		return out
	}
}
