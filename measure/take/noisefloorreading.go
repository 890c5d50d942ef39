package take

import (
	"context"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/weighting"
)

// NoiseFloor reads noise_floor_dbfs and noise_floor_a_dbfs, as [Inspect] does, and
// nothing else, in a fraction of its time. It reads a source that is open already, whose
// blocks it also hands to other meters' Write, as [measure.EachBlockBy] does on a number of
// goroutines, and opens the sound once more.
func NoiseFloor(ctx context.Context, workers int, src wave.Source, open func() (wave.Source, error), also ...func(dsp.Block)) (measure.Readings, error) {
	f := src.Format()
	if err := f.Check(); err != nil {
		return nil, err
	}
	levels := newFrameLevels(f.Rate, f.Channels, false)
	defer levels.close()
	writes := levels.writes()
	if err := measure.EachBlockBy(ctx, workers, src, append(writes, also...)...); err != nil {
		return nil, err
	}
	floors := levels.findFloors(f.Rate)
	for _, f := range floors {
		for _, n := range f.spectra() {
			n.kept = nil
		}
	}
	// The pauses are little: goroutines would wait more than work.
	if err := readPauses(ctx, 1, reopened(open, f), floors); err != nil {
		return nil, err
	}
	var noisiest *floor
	reason := "no sound"
	for _, f := range floors {
		if f.undecided != "" {
			reason = f.undecided
		} else if noisiest == nil || f.db() > noisiest.db() {
			noisiest = f
		}
	}
	about := measure.Reading{Unit: "dBFS", Reference: rmsScale, Bandwidth: "20 Hz to 20 kHz", Definition: floorDefinition, Frame: -1, Channel: -1}
	if noisiest == nil {
		about.Reason = reason
	}
	var r measure.Readings
	for _, weighted := range []bool{false, true} {
		about, name := about, "noise_floor_dbfs"
		about.Weighting = "none"
		if weighted {
			name, about.Weighting = "noise_floor_a_dbfs", "A"
		}
		switch {
		case noisiest == nil:
		case weighted:
			about.Value = noisiest.weighted(weighting.A)
		default:
			about.Value = noisiest.db()
		}
		r.Add(name, about)
	}
	return r.Finite(), levels.close()
}
