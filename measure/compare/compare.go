package compare

import (
	"context"
	"errors"
	"fmt"
	"sync"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/take"
)

// LevelMatch is how two sounds are brought to one level before they are compared.
type LevelMatch int

// The ways to match levels.
const (
	LeastSquares    LevelMatch = iota // the gain that leaves the smallest difference
	EqualLoudness                     // by the integrated loudness
	LevelsAsTheyAre                   // none, and the polarity as it is
)

// Settings describes a comparison; its zero value is the usual one.
type Settings struct {
	Match    LevelMatch
	AsLying  bool               // frame by frame as they lie: no delay and no drift is looked for
	Residual wave.Sink          // takes the difference, B less A, on A's level and frames; nil: nobody
	Progress func(frames int64) // is told, now and then, how many more frames of A were compared
}

// Comparison is how sound B differs from sound A.
type Comparison struct {
	Rate, Channels   int
	FramesA, FramesB int64
	From, To         int64 // the frames of A that B covers: what was compared

	Same       bool    // they are one sound, and not two
	Similarity float64 // correlation of the loudest passage, −1 to 1
	needed     float64 // from which on they count as one
	silent     [2]bool // A and B have nothing but one value
	place      placement
	gain       float64 // of B, with its sign, as it was matched
	gains      []float64
	match      LevelMatch

	totals   *differences
	spectrum *bandComparison
	a, b     measure.Readings // loudness, peaks and the noise in pauses of each
}

// A FormatsDifferError tells that two sounds cannot be compared.
type FormatsDifferError struct{ A, B wave.Format }

func (e *FormatsDifferError) Error() string {
	return fmt.Sprintf("found %d channels at %d Hz and %d channels at %d Hz; accepted: equal channels and rates",
		e.A.Channels, e.A.Rate, e.B.Channels, e.B.Rate)
}

// Sounds compares sound B with sound A, of the same rate and channels: it finds by
// how many frames B is later, to a fraction, and whether its clock drifts; takes
// this and the difference of level out; and looks at what is left. It opens each
// sound several times, so that none has to fit in memory.
//
// Sounds that have too little in common are told so, and nothing else is read of
// them: any two sounds correlate best somewhere.
func Sounds(ctx context.Context, a, b func() (wave.Source, error), s Settings) (*Comparison, error) {
	a, b = planes.Until(ctx, a), planes.Until(ctx, b)
	var profiles [2]*profile
	for i, open := range []func() (wave.Source, error){a, b} {
		var err error
		profiles[i], err = profileOf(open)
		if bad := (*IncomparableError)(nil); errors.As(err, &bad) {
			bad.Sound = i
		}
		if err != nil {
			return nil, err
		}
	}
	profileA, profileB := profiles[0], profiles[1]
	if profileA.format.Rate != profileB.format.Rate || profileA.format.Channels != profileB.format.Channels {
		return nil, &FormatsDifferError{profileA.format, profileB.format}
	}
	c := &Comparison{
		Rate: profileA.format.Rate, Channels: profileA.format.Channels,
		FramesA: profileA.frames, FramesB: profileB.frames, match: s.Match, gain: 1,
	}
	if err := c.align(a, b, profileA, profileB, s); err != nil {
		return nil, err
	}
	if !c.Same {
		return c, nil
	}
	c.From, c.To = c.place.overlap(c.FramesA, c.FramesB)

	// The meters of both sounds run beside the comparison.
	var meters sync.WaitGroup
	var failed [2]error
	for i, open := range []func() (wave.Source, error){a, b} {
		meters.Add(1)
		go func() {
			defer meters.Done()
			r, err := readingsOf(ctx, open, c.To-c.From <= int64(inspectedSeconds*c.Rate))
			failed[i] = err
			if i == 0 {
				c.a = r
			} else {
				c.b = r
			}
		}()
	}
	if s.Match == EqualLoudness { // which has to be known first
		meters.Wait()
	}
	err := c.matchLevels(a, b, s)
	if err == nil {
		err = c.look(a, b, s)
	}
	meters.Wait()
	return c, errors.Join(err, failed[0], failed[1])
}

// inspectedSeconds is how long sounds may be for the noise in their pauses to be
// compared as well, which takes longer than all the rest.
const inspectedSeconds = 600

// readingsOf are the readings of one sound that are held against the other's.
func readingsOf(ctx context.Context, open func() (wave.Source, error), inspect bool) (measure.Readings, error) {
	src, err := open()
	if err != nil {
		return nil, err
	}
	defer planes.Close(src)
	readings, err := measure.Programme(ctx, src, measure.AsIs)
	if err != nil {
		return nil, err
	}
	if !inspect {
		for _, name := range []string{"noise_floor_dbfs", "noise_floor_a_dbfs"} {
			readings.Add(name, measure.Reading{Unit: "dBFS", Reason: "longer than 10 minutes: inspect each"})
		}
		return readings, nil
	}
	in, err := take.Inspect(ctx, open)
	if err != nil {
		return nil, err
	}
	return append(readings, in.Readings...), nil
}

// look goes through both sounds, lined up and on one level.
func (c *Comparison) look(a, b func() (wave.Source, error), s Settings) error {
	c.totals = newDifferences(c.Rate, c.Channels, c.From)
	c.spectrum = newBandComparison(c.Rate, c.Channels, c.To-c.From)
	residual := dsp.NewBlock(c.Channels, pairFrames)
	return c.pairs(a, b, func(x, y dsp.Block) error {
		n := x.Frames()
		c.totals.exact(x, y)
		for i := range y {
			if c.gain != 1 {
				for k := range y[i] {
					y[i][k] /= c.gain
				}
			}
			residual[i] = residual[i][:n]
			for k, v := range x[i] {
				residual[i][k] = y[i][k] - v
			}
		}
		gone := c.totals.gone()
		c.totals.write(x, y, residual)
		if c.totals.gone() == gone {
			c.spectrum.write(x, y)
		} else { // a dropout is no response
			c.spectrum.restart()
		}
		if s.Progress != nil {
			s.Progress(int64(n))
		}
		if s.Residual != nil {
			return s.Residual.Write(residual)
		}
		return nil
	})
}
