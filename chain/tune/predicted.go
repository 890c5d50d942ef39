package tune

import (
	"math"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/take"
)

// predictedGains are the predicted gains of a proposal's stages on one take, in hundredths of a
// dB for each millisecond.
type predictedGains struct {
	expander []int16 // of the whole take; nil where it is off
	// On the excerpts: the compressor's gains, nil where it is off, and the peaks ahead of the
	// limiter.
	compressor, ahead []int16
}

// expanderAt returns the expander's gain at a millisecond.
func (g predictedGains) expanderAt(ms int) int16 {
	if g.expander == nil {
		return 0
	}
	return g.expander[ms]
}

// linearShare returns the share of a power spectrum that remains behind the filters of a chain:
// 1 where they change nothing. Hz and power belong to the spectrum's lines. Stages for which
// counts is false are left out. The bands of an equaliser are those of its analogue prototypes:
// nothing has to be designed for a prediction.
func (p *ProposedChain) linearShare(rate int, hz, power []float64, counts func(chain.Stage) bool) float64 {
	var gains []func(hz float64) float64
	for _, s := range p.Chain.Stages {
		if !s.Enabled || !counts(s) {
			continue
		}
		switch settings := s.Settings.(type) {
		case dsp.HighPassSettings:
			if f, err := dsp.NewHighPass(settings, rate, 1); err == nil {
				gains = append(gains, func(hz float64) float64 {
					h := f.Response(hz, float64(rate))
					return real(h)*real(h) + imag(h)*imag(h)
				})
			}
		case dsp.EqualiserSettings:
			for _, b := range settings.At(rate).Bands {
				gains = append(gains, b.PowerGain)
			}
		}
	}
	before, after := 0.0, 0.0
	for k, f := range hz {
		all := 1.0
		for _, gain := range gains {
			all *= gain(f)
		}
		before, after = before+power[k], after+power[k]*all
	}
	if !(before > 0) {
		return 1
	}
	return after / before
}

// limiter returns the proposed limiter; false: it is off.
func (p *ProposedChain) limiter() (dsp.LimiterSettings, bool) {
	for _, s := range p.Chain.Stages {
		if l, ok := s.Settings.(dsp.LimiterSettings); ok && s.Enabled {
			return l, true
		}
	}
	return dsp.LimiterSettings{}, false
}

// drive returns the drive of the proposed limiter in dB.
func (p *ProposedChain) drive() float64 {
	settings, _ := p.limiter()
	return settings.DriveDB
}

// limited returns a function that gives the mean square of the limiter's gain, drive included,
// in a millisecond of the peaks ahead of it, which are in hundredths of a dBFS. No millisecond
// may be before the last one asked for.
func (p *ProposedChain) limited(ahead []int16, rate int) func(ms int) float64 {
	settings, on := p.limiter()
	if !on {
		return func(int) float64 { return 1 }
	}
	reduced := limiterGains(settings, ahead, rate)
	drive := dsp.DBToPower(settings.DriveDB)
	return func(ms int) float64 {
		meanSquare, _ := reduced(ms)
		return meanSquare * drive
	}
}

// limiterGains returns a function that gives the mean square and the lowest value of a limiter's
// gain, without its drive, in a millisecond of the peaks ahead of it, which are in hundredths of
// a dBFS. No millisecond may be before the last one asked for.
func limiterGains(s dsp.LimiterSettings, ahead []int16, rate int) func(ms int) (meanSquare, lowest float64) {
	f, err := dsp.NewLimiterForecast(s, rate)
	if err != nil {
		panic(err) // the settings are those of a proposal, at the rate of its take
	}
	cells := float64(rate) / 1000 / float64(dsp.ForecastCellFrames(rate)) // per millisecond
	meanSquare, lowest, read := 1.0, 1.0, 0
	return func(ms int) (float64, float64) { // the gains are those of the cell at the millisecond's middle
		for at := int((float64(ms)+0.5)*cells) + f.Delay(); read <= at; read++ {
			peak := math.Inf(-1)
			if from := int((float64(read) + 0.5) / cells); from < len(ahead) {
				peak = float64(ahead[from]) / 100
			}
			meanSquare, lowest = f.Next(peak)
		}
		return meanSquare, lowest
	}
}

// predictedFloor returns the level in the pauses behind the chain, in dBFS; −Inf where there
// are no pauses. It is the floor of the take plus the change that filters and gains make to the
// power of the milliseconds in its pauses. It uses the same milliseconds as a run of the chain,
// since noise at low frequencies differs from pause to pause.
func (p *ProposedChain) predictedFloor(a *takeAnalysis, g predictedGains) float64 {
	channel := a.noisiest()
	if channel < 0 {
		return math.Inf(-1)
	}
	compressor := make([]int16, len(a.tracks.level)) // 0 where the gain is not known
	if g.compressor != nil {
		from := 0
		for _, piece := range a.tracks.peaks.pieces() {
			from += copy(compressor[min(piece[0], len(compressor)):min(piece[1], len(compressor))], g.compressor[from:])
		}
	}
	a.low.flush()
	// The level covers the range above 150 Hz. What lies below is the low track less its own
	// part above 150 Hz.
	highPass, notches := p.lowFilters()
	above := &dsp.HighPass{Cascade: dsp.NewCascade(dsp.ButterworthHighPass(2, sideChainHz, lowRate), 1)}
	plain, behind := a.low.behind(channel), a.low.behind(channel, append(highPass, notches...)...)
	plainAbove := a.low.behind(channel, above)
	var levelAbove *lowPower // nil: as plainAbove
	if a.notchedDB != 0 {
		levelAbove = a.low.behind(channel, append(notches, above)...)
	}
	unnotched := dsp.DBToPower(-a.notchedDB)
	run := pauseRun{floor: a.inspection.Floors[channel], hop: -1}
	_, hop := take.PauseFrames(a.format.Rate)
	var before, after pauseFloor
	for ms := range min(len(compressor), len(a.low.kept[channel])) {
		inside, settled := run.at(int(a.tracks.start(ms) / int64(hop)))
		if !inside {
			continue
		}
		level := powerOf(a.tracks.level[ms])
		over := plainAbove.at(ms)
		overLevel := over
		if levelAbove != nil {
			overLevel = levelAbove.at(ms)
		}
		before.add(level*unnotched+float64(plain.at(ms)-over), 1, false)
		after.add(powerOf(g.expanderAt(ms))*powerOf(compressor[ms])*(level+float64(behind.at(ms)-overLevel)), 1, settled)
	}
	if math.IsInf(before.db(1000), -1) {
		return math.Inf(-1)
	}
	return a.inspection.Floors[channel].DBFS + after.db(1000) - before.db(1000) + p.drive() + p.toneShareDB(a, channel)
}

// lowFilters returns the chain's high-pass and its notches at lowRate.
func (p *ProposedChain) lowFilters() (highPass, notches []dsp.Processor) {
	for _, s := range p.Chain.Stages {
		if !s.Enabled {
			continue
		}
		switch settings := s.Settings.(type) {
		case dsp.HighPassSettings:
			if f, err := dsp.NewHighPass(settings, lowRate, 1); err == nil {
				highPass = append(highPass, f)
			}
		case dsp.EqualiserSettings:
			if s.Name != humName {
				continue
			}
			// The bilinear design needs no search. It narrows a notch by this factor.
			low := dsp.EqualiserSettings{Design: dsp.Cookbook}
			for _, b := range settings.At(lowRate).Bands {
				angle := 2 * math.Pi * b.CentreHz / lowRate
				b.Q *= math.Sin(angle) / angle
				low.Bands = append(low.Bands, b)
			}
			if f, err := dsp.NewEqualiser(low, lowRate, 1); err == nil {
				notches = append(notches, f)
			}
		}
	}
	return highPass, notches
}

// toneShareDB returns the effect of the tone bands on the noise of a channel, in dB. It uses
// the noise spectrum, which is fine enough for these bands.
func (p *ProposedChain) toneShareDB(a *takeAnalysis, channel int) float64 {
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
	all := p.linearShare(a.format.Rate, hz, power, func(chain.Stage) bool { return true })
	rest := p.linearShare(a.format.Rate, hz, power, func(s chain.Stage) bool { return s.Name != toneName })
	return dsp.PowerToDB(max(1e-20, all)) - dsp.PowerToDB(max(1e-20, rest))
}

// predictedLoudness returns the integrated loudness behind the chain in LUFS. It takes the
// K-weighted energy of each 100 ms of the take, subtracts what the filters remove, and applies
// the gains of its milliseconds, each weighted by its power above 150 Hz. For a take longer
// than the excerpts, the change of loudness of the excerpts is applied to the loudness of the
// take.
func (p *ProposedChain) predictedLoudness(a *takeAnalysis, g predictedGains) (lufs float64, ok bool) {
	profile := a.loudness.Profile()
	before, after := measure.LoudnessProfile{RateHz: profile.RateHz}, measure.LoudnessProfile{RateHz: profile.RateHz}
	tone := p.toneShare(a)
	low := p.lowLoss(a)
	limited := p.limited(g.ahead, a.format.Rate)
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
			plain, changed, lost := 0.0, 0.0, 0.0
			for ms := from; ms < to; ms++ {
				k := offset + ms - piece[0]
				// The detector's window ends with its millisecond, so the level is read half a
				// window later.
				w := powerOf(a.tracks.level[min(len(a.tracks.level)-1, ms+window/2)])
				gain := powerOf(g.expanderAt(ms)) * limited(k)
				if g.compressor != nil {
					gain *= powerOf(g.compressor[k])
				}
				plain, changed = plain+w, changed+w*gain
				lost += low(ms)
			}
			if plain > 0 {
				e := profile.Energies[h]
				before.Energies = append(before.Energies, e)
				after.Energies = append(after.Energies, max(0, e-lost)*tone*changed/plain)
			}
		}
		offset += piece[1] - piece[0]
	}
	whole, ok1 := profile.Integrated()
	part, ok2 := before.Integrated()
	lufs, ok3 := after.Integrated()
	return whole + lufs - part, ok1 && ok2 && ok3
}

// lowLoss returns a function that gives the K-weighted energy (Rec. ITU-R BS.1770-5 Annex 1)
// that the chain's high-pass and notches remove from a millisecond, as the loudness sums it:
// squares of all channels. No millisecond may be before the last one asked for. Below 500 Hz
// the first stage of that weighting passes everything. The gate of the loudness leaves pauses
// out, so rumble that is removed there does not count as a loss of the speech.
func (p *ProposedChain) lowLoss(a *takeAnalysis) func(ms int) float64 {
	a.low.flush()
	weighting := func() dsp.Processor {
		return &dsp.HighPass{Cascade: dsp.NewCascade([]dsp.Biquad{measure.KWeighting(lowRate)[1]}, 1)}
	}
	var plain, behind []*lowPower
	for channel := range a.low.kept {
		highPass, notches := p.lowFilters()
		plain = append(plain, a.low.behind(channel, weighting()))
		behind = append(behind, a.low.behind(channel, append(append(highPass, notches...), weighting())...))
	}
	frames := float32(a.format.Rate) / lowRate
	return func(ms int) float64 {
		lost := float32(0)
		for channel, kept := range a.low.kept {
			if ms < len(kept) {
				lost += frames * (plain[channel].at(ms) - behind[channel].at(ms))
			}
		}
		return float64(lost)
	}
}

// toneShare returns the share of the take's K-weighted power that the tone bands leave, from
// its third octaves and the K-weighting (Rec. ITU-R BS.1770-5 Annex 1).
func (p *ProposedChain) toneShare(a *takeAnalysis) float64 {
	rate := float64(a.format.Rate)
	weighting := measure.KWeighting(rate)
	k := dsp.NewCascade(weighting[:], 1)
	var hz, power []float64
	for _, l := range a.octaves.Levels() {
		h := k.Response(float64(l.Hz), rate)
		hz, power = append(hz, float64(l.Hz)), append(power, (real(h)*real(h)+imag(h)*imag(h))*dsp.DBToPower(l.DBFS))
	}
	return p.linearShare(a.format.Rate, hz, power, func(s chain.Stage) bool { return s.Name == toneName })
}

// noisiest returns the channel with the highest floor; -1: none has a floor.
func (a *takeAnalysis) noisiest() int {
	noisiest := -1
	for c, f := range a.inspection.Floors {
		if f.Undecided == "" && (noisiest < 0 || f.DBFS > a.inspection.Floors[noisiest].DBFS) {
			noisiest = c
		}
	}
	return noisiest
}

// settledHops is the time in hops of 25 ms that the expander takes to close: hold and twice the
// release.
const settledHops = (expanderHoldMs + 2*expanderReleaseMs + 24) / 25

// pauseRun counts how long the current pause has lasted.
type pauseRun struct {
	floor take.Floor
	hop   int
	hops  int // of the current pause
}

// at advances to a hop of 25 ms, which must not be before the last one. It reports whether the
// hop lies inside a pause, and whether the expander has had time to close.
func (r *pauseRun) at(hop int) (inside, settled bool) {
	if hop != r.hop {
		if r.hop = hop; r.floor.IsPause(hop) && r.floor.IsPause(hop+1) {
			r.hops++
		} else {
			r.hops = 0
		}
	}
	return r.hops >= 3, r.isSettled()
}

func (r *pauseRun) isSettled() bool { return r.hops > settledHops }

// pauseFloor sums the power in pauses.
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

// db returns the mean power after the expander has closed, in dB, if there is at least 0.3 s,
// and otherwise that of whole pauses; −Inf where there are none.
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
