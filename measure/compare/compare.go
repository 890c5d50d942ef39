package compare

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"runtime"
	"sync"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/vector"
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
	Match     LevelMatch
	Unaligned bool // frame by frame as they lie: a delay and a drift are found, but not taken out
	// Brief leaves out what each sound reads by itself (loudness, peaks, the noise in its
	// pauses) and so the differences of these readings, which take most of the time.
	Brief    bool
	Residual wave.Sink          // takes the difference, B less A, on A's level and frames; nil: nobody
	Progress func(frames int64) // is called now and then with how many more frames of A were compared
}

// Comparison is how sound B differs from sound A.
type Comparison struct {
	Rate, Channels   int
	FramesA, FramesB int64
	From, To         int64 // the frames of A that B covers, but for what was cut out: what was compared
	compared         int64 // how many those are

	Same       bool    // they are one sound, and not two
	Similarity float64 // correlation of the loudest passage, −1 to 1
	needed     float64 // from which on they count as one
	scattered  bool    // a passage correlates, but the rest does not
	order      []int   // which channel of A each channel of B holds, where that is another one; else nil
	known      []bool  // channels of B that were found to hold those of A, whatever their gains
	silent     [2]bool // A and B hold nothing but one value
	place      placement
	unaligned  *placement // where B lies, if it was compared as it lies
	gain       float64    // of B, with its sign, as it was matched
	gains      []float64
	match      LevelMatch

	totals    *differences
	spectrum  *bandComparison
	clicks    *clicks
	track     *gainTrack
	turns     []turnTrack // of each channel
	levels    *gainByLevel
	offsets   *offsets
	clipping  clipping // of B, that A lacks
	clippingA clipping // of A, that B lacks
	tops      [2][]tops
	byLevel   levelGains
	a, b      measure.Readings // loudness, peaks and the noise in pauses of each
}

// MatchedGain is the factor by which B was divided before A was subtracted from it, negative
// where B is inverted: with the residual, B is (residual + A) · MatchedGain. The reading
// gain_db may be another one, where least squares misjudges what was done to B.
func (c *Comparison) MatchedGain() float64 { return c.gain }

// A FormatsDifferError states that two sounds cannot be compared, and what to do.
type FormatsDifferError struct{ A, B wave.Format }

func (e *FormatsDifferError) Error() string {
	do := fmt.Sprintf("convert B to %d Hz with a sample-rate converter, or A to %d Hz; the converter's filter and delay are then part of the difference", e.A.Rate, e.B.Rate)
	if e.A.Channels != e.B.Channels {
		do = fmt.Sprintf("write both with the same channels first, for example one channel of the sound that has %d to a file of its own", max(e.A.Channels, e.B.Channels))
		if e.A.Rate != e.B.Rate {
			do += ", and at the same rate"
		}
	}
	return fmt.Sprintf("found %s at %d Hz and %s at %d Hz; accepted: equal channels and rates; %s",
		dsp.Plural(e.A.Channels, "channel"), e.A.Rate, dsp.Plural(e.B.Channels, "channel"), e.B.Rate, do)
}

// Sounds compares sound B with sound A, of the same rate and channels. It finds the
// delay of B, to a fraction of a frame, and the drift of its clock, removes these
// and the difference of level, and measures the residual. It opens each sound
// several times, so that none has to fit in memory.
//
// Of sounds that have too little in common only that is stated, and nothing else is
// read: any two sounds correlate best somewhere.
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
		FramesA: profileA.frames, FramesB: profileB.frames, match: s.Match, gain: 1, tops: [2][]tops{profileA.tops, profileB.tops},
	}
	if err := c.align(a, b, profileA, profileB, s); err != nil {
		return nil, err
	}
	if !c.Same {
		return c, nil
	}
	c.place.settlePieces(c.FramesA, c.FramesB)
	c.From, c.To = c.place.pieces[0].from, c.place.pieces[len(c.place.pieces)-1].to
	c.compared = c.place.frames()

	// The meters of both sounds run beside the comparison, and end with it.
	ctx, giveUp := context.WithCancel(ctx)
	defer giveUp()
	var meters sync.WaitGroup
	var failed [2]error
	for i, open := range []func() (wave.Source, error){a, b} {
		if s.Brief && s.Match != EqualLoudness {
			break
		}
		if i == 1 && c.Channels > mostAtOnce {
			meters.Wait()
		}
		meters.Add(1)
		go func() {
			defer meters.Done()
			r, err := readingsOf(ctx, open, c.compared <= int64(inspectedSeconds*c.Rate))
			failed[i] = err
			if i == 0 {
				c.a = r
			} else {
				c.b = r
			}
		}()
	}
	if s.Match == EqualLoudness || c.Channels > mostAtOnce { // the loudness has to be known first
		meters.Wait()
	}
	err := c.matchLevels(a, b, s)
	if err == nil {
		err = c.look(a, b, s)
	}
	if err != nil {
		giveUp()
	}
	meters.Wait()
	return c, cmp.Or(err, failed[0], failed[1])
}

// mostAtOnce is up to how many channels both sounds' meters run at the same time, and
// beside the comparison: their memory grows with the channels.
const mostAtOnce = 16

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
	if !inspect {
		readings, err := measure.Programme(ctx, src, measure.AsIs)
		if err != nil {
			return nil, err
		}
		for _, name := range []string{"noise_floor_dbfs", "noise_floor_a_dbfs"} {
			readings.Add(name, measure.Reading{Unit: "dBFS", Reason: "longer than 10 minutes: inspect each"})
		}
		return readings, nil
	}
	workers := max(1, runtime.GOMAXPROCS(0)/3) // for each sound, and for the comparison beside them
	meter, err := measure.NewProgrammeMeter(src.Format(), measure.AsIs)
	if err != nil {
		return nil, err
	}
	floor, err := take.NoiseFloor(ctx, workers, src, open, meter.Loudness.Write, meter.Peaks.Write)
	if err != nil {
		return nil, err
	}
	return append(meter.Readings(), floor...), nil
}

// look goes through both sounds, lined up and on one level.
func (c *Comparison) look(a, b func() (wave.Source, error), s Settings) error {
	c.totals = newDifferences(c.Rate, c.Channels, c.From)
	own := c.ownGains()
	c.spectrum = newBandComparison(c.Rate, c.Channels, c.compared, own)
	c.clicks = newClicks(c.Rate, c.Channels)
	c.track, c.offsets, c.clipping = newGainTrack(c.Rate, c.Channels), newOffsets(c.Rate, c.Channels), make(clipping, c.Channels)
	residual, rest := dsp.NewBlock(c.Channels, c.blockFrames()), make([]float64, grainFrames(c.Rate))
	c.clippingA, c.turns = make(clipping, c.Channels), make([]turnTrack, c.Channels)
	c.levels = newGainByLevel(c.Rate, c.Channels, c.From, c.To-c.From)
	skipped, seen := 0, 0
	begin := func(q piece) error {
		if s.Residual != nil { // silence where something was cut out, so that it keeps A's frames
			for missing := q.from - c.totals.frame; missing > 0; missing -= pairFrames {
				if err := s.Residual.Write(dsp.NewBlock(c.Channels, int(min(missing, pairFrames)))); err != nil {
					return err
				}
			}
		}
		c.totals.moveTo(q.from)
		c.clicks.restart()
		c.track.restart()
		c.offsets.restart()
		c.spectrum.restart()
		c.levels.restart(q.from)
		return nil
	}
	err := c.pairs(a, b, begin, func(x, y dsp.Block) error {
		n := x.Frames()
		for i := range residual {
			residual[i] = residual[i][:n]
		}
		events := c.totals.gone() + int64(len(c.clicks.found))
		for from := 0; from < n; from += len(rest) {
			c.lookAt(x, y, residual, own, rest, from, min(n, from+len(rest)))
		}
		if s.Residual != nil {
			if err := s.Residual.Write(residual); err != nil {
				return err
			}
		}
		event := c.totals.gone()+int64(len(c.clicks.found)) > events && skipped <= seen/4
		c.spectrum.write(x, y, event)
		c.levels.write(x, y, event)
		if event {
			skipped++
		}
		seen++
		if s.Progress != nil {
			s.Progress(int64(n))
		}
		return nil
	})
	c.spectrum.settle(c.residualPower())
	c.byLevel = c.dynamics()
	return err
}

// grainFrames is how many frames are looked at as one: 1 ms, and no fewer than 8, of which
// one that stands out is more than chance.
func grainFrames(rate int) int { return max(8, dsp.Frames(1, rate)) }

// lookAt takes in a millisecond of blocks of both sounds, or what is left of one at the
// end of a piece. It brings B to A's level and sets the residual; rest has room for that of
// a channel on its own level.
func (c *Comparison) lookAt(x, y, residual dsp.Block, own, rest []float64, from, to int) {
	if c.totals.first < 0 {
		c.totals.findFirst(x, y, from, to)
	}
	frame := c.totals.frame
	for i := range x {
		a, b, e := x[i][from:to], y[i][from:to], residual[i][from:to]
		d := vector.DifferenceOf(a, b, e, 1/c.gain)
		c.totals.add(i, &d, e)
		gain := c.gain
		if own != nil {
			gain = c.gain / own[i]
			e = rest[:to-from]
			d = vector.DifferenceOf(a, b, e, own[i])
		}
		c.clicks.add(i, frame, &d, e)
		c.track.add(i, frame, &d)
		c.turns[i].add(frame, &d, gain, to-from, c.track.grain)
		c.offsets.add(i, &d, to-from)
		c.clipping[i].add(frame, d.MostY, a, b, e)
		c.clippingA[i].add(frame, math.Sqrt(d.XX), b, a, e) // no sample has more than all
	}
	c.totals.edges = [2]edges{edgesOf(x, from, to, 1), edgesOf(y, from, to, math.Abs(c.gain))}
	c.totals.advance(to - from)
	c.track.advance(to - from)
}

// ownGains is what brings each channel of B, once it has A's level by the gain of all,
// to the level of its own channel of A; nil where the channels do not differ.
func (c *Comparison) ownGains() []float64 {
	if !c.channelsDiffer() {
		return nil
	}
	own := make([]float64, c.Channels)
	for i, g := range c.gains {
		own[i] = 1
		if ratio := c.gain / g; ratio-ratio == 0 && math.Abs(ratio) < 1000 {
			own[i] = ratio
		}
	}
	return own
}
