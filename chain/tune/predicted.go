package tune

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/take"
)

// predictedGains are the gains that the stages of a proposal are predicted to have on one
// take, in hundredths of a dB for each millisecond.
type predictedGains struct {
	expander []int16 // of the whole take; nil where it is off
	// Of the excerpts: the compressor's gains, nil where it is off, and the peaks ahead of
	// the limiter.
	compressor, ahead []int16
}

// expanderAt is the expander's gain at a millisecond.
func (g predictedGains) expanderAt(ms int) int16 {
	if g.expander == nil {
		return 0
	}
	return g.expander[ms]
}

// linearShare is what is left of a power spectrum behind the filters of a chain, 0 to 1
// and more; power and hz are of its lines.
func (p *ProposedChain) linearShare(rate int, hz, power []float64) float64 {
	var filters []func(hz float64) complex128
	for _, s := range p.Chain.Stages {
		if !s.Enabled {
			continue
		}
		var c *dsp.Cascade
		switch settings := s.Settings.(type) {
		case dsp.HighPassSettings:
			if f, err := dsp.NewHighPass(settings, rate, 1); err == nil {
				c = f.Cascade
			}
		case dsp.EqualiserSettings:
			if f, err := dsp.NewEqualiser(settings.At(rate), rate, 1); err == nil {
				c = f.Cascade
			}
		}
		if c != nil {
			filters = append(filters, func(hz float64) complex128 { return c.Response(hz, float64(rate)) })
		}
	}
	return sharePassed(hz, power, filters...)
}

// sharePassed is what is left of a power spectrum behind filters.
func sharePassed(hz, power []float64, filters ...func(hz float64) complex128) float64 {
	before, after := 0.0, 0.0
	for k, f := range hz {
		gain := 1.0
		for _, response := range filters {
			h := response(f)
			gain *= real(h)*real(h) + imag(h)*imag(h)
		}
		before, after = before+power[k], after+power[k]*gain
	}
	if !(before > 0) {
		return 1
	}
	return after / before
}

// drive is the drive of the proposed limiter in dB.
func (p *ProposedChain) drive() float64 {
	for _, s := range p.Chain.Stages {
		if l, ok := s.Settings.(dsp.LimiterSettings); ok && s.Enabled {
			return l.DriveDB
		}
	}
	return 0
}

// predictedFloor is the level in the pauses behind the chain, in dBFS, by the gains of
// the expander and the compressor there and by what the filters leave of the noise's
// spectrum; −Inf where there are no pauses. It is read where the run is read.
func (p *ProposedChain) predictedFloor(a *takeAnalysis, g predictedGains) float64 {
	channel := a.noisiest()
	if channel < 0 {
		return math.Inf(-1)
	}
	compressor := make([]int16, len(a.tracks.level)) // 0 where it is not known
	if g.compressor != nil {
		from := 0
		for _, piece := range a.tracks.peaks.pieces() {
			from += copy(compressor[min(piece[0], len(compressor)):min(piece[1], len(compressor))], g.compressor[from:])
		}
	}
	run := pauseRun{floor: a.inspection.Floors[channel], hop: -1}
	_, hop := take.PauseFrames(a.format.Rate)
	var floor pauseFloor
	for ms := range compressor {
		inside, settled := run.at(int(a.tracks.start(ms) / int64(hop)))
		if inside {
			floor.add(dsp.DBToPower(float64(g.expanderAt(ms)+compressor[ms])/100), 1, settled)
		}
	}
	gain := floor.db(1000)
	if math.IsInf(gain, -1) {
		return gain
	}
	return a.inspection.Floors[channel].DBFS + gain + p.drive() + dsp.PowerToDB(max(1e-20, p.noiseShare(a, channel)))
}

// noiseShare is what the filters leave of the noise of a channel.
func (p *ProposedChain) noiseShare(a *takeAnalysis, channel int) float64 {
	var hz, power []float64
	for _, pauses := range a.inspection.Pauses {
		if pauses.Channel != channel {
			continue
		}
		for _, row := range pauses.Noise.Rows {
			if row[0] >= 20 && row[0] <= 20000 {
				hz, power = append(hz, row[0]), append(power, dsp.DBToPower(row[1]))
			}
		}
	}
	share := p.linearShare(a.format.Rate, hz, power)
	// The spectrum's lines are some 30 Hz apart, so that what lies low leaks upwards. By how
	// much is known for the high-pass of the pauses, whose level is read without a spectrum:
	// the filters of the chain, most of which are high-passes, are corrected alike.
	read := a.inspection.Floors[channel].PauseDBFS - a.inspection.Floors[channel].DBFS
	pause := dsp.NewCascade(dsp.ButterworthHighPass(2, sideChainHz, float64(a.format.Rate)), 1)
	leaked := dsp.PowerToDB(sharePassed(hz, power, func(hz float64) complex128 { return pause.Response(hz, float64(a.format.Rate)) }))
	if read < -0.1 && leaked < -0.1 {
		share = math.Pow(share, max(0.5, min(2, read/leaked)))
	}
	return share
}

// predictedLoudness is the integrated loudness behind the chain in LUFS: the take's
// K-weighted energy of each 100 ms, changed by the gains of the milliseconds in it as
// far as their peaks go, and by what the filters leave of its spectrum. Of a take that
// is longer than the excerpts it is the loudness of the take, changed as that of the
// excerpts is.
func (p *ProposedChain) predictedLoudness(a *takeAnalysis, g predictedGains) (lufs float64, ok bool) {
	const ceilingDBFS = -1
	profile := a.loudness.Profile()
	peaks := a.tracks.peaks.peaks()
	before, after := measure.LoudnessProfile{RateHz: profile.RateHz}, measure.LoudnessProfile{RateHz: profile.RateHz}
	share := p.speechShare(a)
	drive := p.drive()
	offset := 0 // of the piece in the excerpts
	for _, piece := range a.tracks.peaks.pieces() {
		for h := range profile.Energies {
			from, to := piece[0], 0
			if h > 0 {
				from = a.tracks.of(profile.HopEnd(h - 1))
			}
			if to = a.tracks.of(profile.HopEnd(h)); from < piece[0] || to > piece[1] {
				continue
			}
			plain, changed := 0.0, 0.0
			for ms := from; ms < to; ms++ {
				k := offset + ms - piece[0]
				w := dsp.DBToPower(float64(peaks[k]) / 100)
				db := float64(g.expanderAt(ms)) / 100
				if g.compressor != nil {
					db += float64(g.compressor[k]) / 100
				}
				limited := min(0, ceilingDBFS-drive-float64(g.ahead[k])/100)
				plain, changed = plain+w, changed+w*dsp.DBToPower(db+drive+limited)
			}
			if plain > 0 {
				before.Energies = append(before.Energies, profile.Energies[h])
				after.Energies = append(after.Energies, profile.Energies[h]*share*changed/plain)
			}
		}
		offset += piece[1] - piece[0]
	}
	whole, ok1 := profile.Integrated()
	part, ok2 := before.Integrated()
	lufs, ok3 := after.Integrated()
	return whole + lufs - part, ok1 && ok2 && ok3
}

// speechShare is what the filters leave of the take's K-weighted power, by its third
// octaves and the high-pass of K-weighting (38 Hz; Rec. ITU-R BS.1770-5 Annex 1). Its
// shelf is left out: the filters change little above it.
func (p *ProposedChain) speechShare(a *takeAnalysis) float64 {
	var hz, power []float64
	for _, l := range a.octaves.Levels() {
		f := float64(l.Hz)
		low := f * f / (f*f + 38*38)
		hz, power = append(hz, f), append(power, low*low*dsp.DBToPower(l.DBFS))
	}
	return p.linearShare(a.format.Rate, hz, power)
}

// noisiest is the channel with the highest floor; -1: none has a floor.
func (a *takeAnalysis) noisiest() int {
	noisiest := -1
	for c, f := range a.inspection.Floors {
		if f.Undecided == "" && (noisiest < 0 || f.DBFS > a.inspection.Floors[noisiest].DBFS) {
			noisiest = c
		}
	}
	return noisiest
}

// settledHops of 25 ms are what the expander takes to close: hold and twice the release.
const settledHops = (expanderHoldMs + 2*expanderReleaseMs + 24) / 25

// pauseRun follows how long a pause has lasted.
type pauseRun struct {
	floor take.Floor
	hop   int
	hops  int // of the running pause
}

// at enters a hop of 25 ms, which must not lie before the last one, and reports whether
// it lies inside a pause, and late enough for the expander to have closed.
func (r *pauseRun) at(hop int) (inside, settled bool) {
	if hop != r.hop {
		if r.hop = hop; r.floor.IsPause(hop) && r.floor.IsPause(hop+1) {
			r.hops++
		} else {
			r.hops = 0
		}
	}
	return r.hops >= 3, r.hops > settledHops
}

// pauseFloor adds up the power in pauses.
type pauseFloor struct{ whole, settled power }

type power struct {
	sum    float64
	frames int64
}

func (f *pauseFloor) add(sum float64, frames int, settled bool) {
	f.whole.sum, f.whole.frames = f.whole.sum+sum, f.whole.frames+int64(frames)
	if settled {
		f.settled.sum, f.settled.frames = f.settled.sum+sum, f.settled.frames+int64(frames)
	}
}

// db is the mean power once the expander has closed, if there are 0.3 s of that, in all
// pauses otherwise; −Inf where there are none.
func (f *pauseFloor) db(rate int) float64 {
	p := f.settled
	if p.frames < int64(rate)*3/10 {
		p = f.whole
	}
	if p.frames == 0 {
		return math.Inf(-1)
	}
	return dsp.PowerToDB(max(1e-20, p.sum/float64(p.frames)))
}
