package take

import (
	"context"
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/internal/weighting"
)

// floor is the noise floor of one channel, or the reason why it is undecided.
type floor struct {
	channel   int
	undecided string // the reason; "" where there is a floor
	noise     *noiseSpectrum
	lower     *noiseSpectrum // where there are two floors: the other one
	higher    higherFloor    // and where the take has this one
}

const (
	// A floor whose level moves up to twice as much as that of steady noise is steady; up
	// to three times it is in doubt; above that it is no room noise. (own choice, from
	// recorded rooms, music and speech without pauses)
	steadyRho, mostRho = 2, 3
	// In doubt, one pause has to last a third of a second: the soft sounds between the
	// words of speech without pauses do not last so long. (own choice)
	doubtfulPauseSeconds = 0.3
)

// findFloors finds the pauses of each channel.
func (l *frameLevels) findFloors(rate int) []*floor {
	counts, hum := newLevelCounts(), newHumStore(2*len(l.pause))
	l.hum = hum
	var all []*floor
	for c := range l.pause {
		f := &floor{channel: c}
		all = append(all, f)
		p, ok := l.findPauses(c, nil, counts)
		if !ok {
			f.undecided = l.noPauses(c, rate)
			continue
		}
		f.noise = newNoiseSpectrum(rate, p, hum)
		if second, parts, ok := l.secondFloor(p, counts); ok {
			f.lower, f.noise, f.higher = f.noise, newNoiseSpectrum(rate, second, hum), parts
		}
	}
	return all
}

// noPauses is the reason why a channel has no pauses.
func (l *frameLevels) noPauses(channel, rate int) string {
	n := l.pause[channel].n
	if n*hopMs < 300 {
		z, hop := &l.zeros[channel], l.powers.hop
		seconds := float64(z.hops*hop+z.filled) / float64(rate)
		// Rounded down, so that it stays under what is needed: so many frames of 50 ms, half
		// over half.
		return fmt.Sprintf("too short: %g s < %.3g s", math.Floor(1e6*seconds)/1e6, leastPauseSeconds+float64(frameMs-hopMs)/1000)
	}
	edits, dead, silent := 0, 0, true
	for i := range n {
		silent = silent && l.zeros[channel].at(i) && l.pause[channel].at(i) <= 100*deadDB
		switch {
		case l.zeros[channel].at(i):
			edits++
		case !l.live(channel, i):
			dead++
		}
	}
	const least = 1000 * leastPauseSeconds // ms
	switch {
	case silent:
		return "the channel is silent"
	case (n-edits-dead)*hopMs >= least && edits*hopMs >= least:
		return fmt.Sprintf("less than %g s of pauses in which a room is recorded; %.1f s of the channel hold exact zeros, put there by an edit, by a gate, or by rounding to few bits: record 10 s of room tone", leastPauseSeconds, float64(edits)*hopMs/1000)
	case (n-edits-dead)*hopMs >= least:
	case dead > edits:
		return fmt.Sprintf("nothing in it exceeds %d dBFS above %d Hz: it has only an offset, a very low sound or dither of 24 bits", deadDB, PauseHighPassHz)
	default:
		return "its pauses are exact zeros, put there by an edit or a gate: no room is recorded in them"
	}
	return fmt.Sprintf("less than %g s of pauses: record 10 s of room tone", leastPauseSeconds)
}

// spectra are those of its noises.
func (f *floor) spectra() (all []*noiseSpectrum) {
	for _, n := range []*noiseSpectrum{f.noise, f.lower} {
		if n != nil {
			all = append(all, n)
		}
	}
	return all
}

// readPauses reads the sound once more for the noise in the pauses, and decides on each
// floor, on a number of goroutines.
func readPauses(ctx context.Context, workers int, open func() (wave.Source, error), floors []*floor) error {
	var writes []func(dsp.Block)
	for _, r := range newNoiseReaders(floors) {
		writes = append(writes, r.write)
	}
	if len(writes) == 0 {
		return nil
	}
	src, err := open()
	if err != nil {
		return err
	}
	defer planes.Close(src)
	if err := measure.EachBlockBy(ctx, workers, src, writes...); err != nil {
		return err
	}
	for _, f := range floors {
		f.finish()
	}
	return nil
}

// reopened opens a take for the second time. Its error states where the take has another
// format then.
func reopened(open func() (wave.Source, error), first wave.Format) func() (wave.Source, error) {
	return func() (wave.Source, error) {
		src, err := open()
		if err != nil {
			return nil, err
		}
		if f := src.Format(); f.Rate != first.Rate || f.Channels != first.Channels {
			planes.Close(src)
			return nil, fmt.Errorf("found %s at %d Hz when the take was opened again; accepted: %d at %d Hz, as at first", dsp.Plural(f.Channels, "channel"), f.Rate, first.Channels, first.Rate)
		}
		return src, nil
	}
}

// finish decides.
func (f *floor) finish() {
	for _, n := range f.spectra() {
		n.finish()
	}
	if f.lower != nil && f.noise.steady.rho() > mostRho { // speech, or music: no second floor
		f.noise, f.lower = f.lower, nil
	}
	if f.noise == nil {
		return
	}
	rho, longest := f.noise.steady.rho(), f.noise.pauses.longestSeconds()
	if rho > steadyRho && rho <= mostRho && longest < doubtfulPauseSeconds {
		f.undecided = fmt.Sprintf("the quietest sound changes %.1f times as much as steady noise, and lasts %.2f s at a time at most (%g s are needed to be certain): it may be soft speech. Record 10 s of room tone", rho, longest, doubtfulPauseSeconds)
	}
	if rho > mostRho {
		f.undecided = fmt.Sprintf("the quietest sound changes %.1f times as much as steady noise (%d at most), so it is not the noise of a room: it may be speech without pauses, or music. Record 10 s of room tone", rho, mostRho)
	}
}

// db is its unweighted level in dBFS.
func (f *floor) db() float64 { return dsp.PowerToDB(f.noise.unweighted()) }

// weighted is its level through a weighting, in dBFS.
func (f *floor) weighted(weight func(hz float64) float64) float64 {
	return dsp.PowerToDB(f.noise.level(func(hz float64) float64 { return weight(hz) * weighting.AudioBand(max(hz, audibleHz)) }))
}

// Floor is the noise floor of one channel of a take, and the pauses that it rests on.
type Floor struct {
	Undecided string  // why there is none; "" where there is one
	DBFS      float64 // 20 Hz to 20 kHz, rms
	PauseDBFS float64 // above 150 Hz, the level by which pauses were found
	Variation float64 // see noise_variation
	Seconds   float64 // the length of the pauses
	// Higher is where the take has this floor, if it is the higher one of two: from a frame
	// up to another, half way between the pauses that show it. Share is their share of the
	// time.
	Higher [][2]int64
	Share  float64
	Lower  *Floor // the other one, without times; nil where there is one floor

	pauses *pauses
}

// PauseFrames is how long the frames are by which pauses are found, and how far apart,
// in frames of a sound of a rate in Hz.
func PauseFrames(rate int) (length, hop int) { return 2 * hopOf(rate), hopOf(rate) }

// IsPause reports whether a frame of 50 ms, counted from 0 in steps of 25 ms, holds
// nothing but the noise.
func (f Floor) IsPause(i int) bool { return f.pauses != nil && f.Undecided == "" && f.pauses.has(i) }

func (t *take) exported(floors []*floor) (all []Floor) {
	for _, f := range floors {
		e := Floor{Undecided: f.undecided}
		if f.noise != nil {
			e.Variation, e.Seconds, e.pauses = f.noise.steady.rho(), f.noise.pauses.seconds(), f.noise.pauses
		}
		if f.undecided == "" {
			e.DBFS, e.PauseDBFS = f.db(), f.noise.pauses.levelDB
			if f.lower != nil {
				e.Higher, e.Share = t.higherTimes(f), f.higher.share
				n := f.lower
				e.Lower = &Floor{DBFS: dsp.PowerToDB(n.unweighted()), PauseDBFS: n.pauses.levelDB, Variation: n.steady.rho(), Seconds: n.pauses.seconds(), pauses: n.pauses}
			}
		}
		all = append(all, e)
	}
	return all
}
