package take

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
)

const (
	// deadDB is the level in dBFS below which a frame is an edit (digital
	// silence), not a recorded pause.
	deadDB = -120
	// leastPauseSeconds is how much noise a floor has to rest on.
	leastPauseSeconds = 0.3
	// Frames count up to 1.5 spreads over the mode, so that soft speech and breaths do
	// not; the mean of a normal distribution without what is above is 0.139 deviations
	// lower: φ(1.5)/Φ(1.5).
	upperSpreads, missingSpreads = 1.5, 0.139
	// A pause continues through frames of up to 3 spreads.
	quietSpreads = 3
)

// pauses are the frames of one channel of a take in which nothing is but its noise.
//
// The levels of a take lie in humps: its noise, and its speech. The noise is
// the lowest hump that is more than chance: the lowest maximum of a smoothed
// density that holds 3 % of the frames, and six at least, within 1.5 dB. Loud
// things (a cough, a door, breaths), however many, only add to other humps; and
// the lowest single frames do not count either. Levels are compared above 150 Hz, so
// that neither rumble nor an offset nor hum moves them. (Own estimator; what it reads is
// tested with planted disturbances of ten kinds.)
type pauses struct {
	levels    *frameLevels
	channel   int
	part      bitRow  // frames of 50 ms: the part of the take that was looked at; nil: all of it
	from, to  int     // where that begins and ends
	low, high int16   // their levels above 150 Hz, in hundredths of a dB
	quiet     int16   // what is below it is noise, though it may not be typical of it
	most      int16   // and the largest above 20 Hz: a thump is no noise
	bright    int16   // the largest above 2 kHz of those whose level is taken
	breath    int16   // and what no breath exceeds there
	missingDB float64 // by how much the upper end that is left out lowers their level
	levelDB   float64
	frames    int

	// A bit for each frame of the take: whether it is one of them, whether its level is
	// taken, and whether it may lie between two. Once these are known, levels is nil.
	are, typical, between bitRow
}

// bitRow is a row of bits.
type bitRow []uint64

func (b bitRow) at(i int) bool { return i >= 0 && i/64 < len(b) && b[i/64]&(1<<(i%64)) != 0 }

func (b bitRow) set(i int) { b[i/64] |= 1 << (i % 64) }

// stretches are where they lie, from a frame of the take to another.
func (p *pauses) stretches(rate int) (all [][2]int64) {
	hop, length := int64(rate)*hopMs/1000, int64(rate)*frameMs/1000
	for i := p.from; i < p.to; i++ {
		if !p.has(i) {
			continue
		}
		from, to := int64(i)*hop, int64(i)*hop+length
		if k := len(all) - 1; k >= 0 && from <= all[k][1] {
			all[k][1] = to
		} else {
			all = append(all, [2]int64{from, to})
		}
	}
	return all
}

// settle keeps a bit for each frame, and frees the levels.
func (p *pauses) settle() {
	words := (p.levels.pause[p.channel].n + 63) / 64
	p.are, p.typical, p.between = make(bitRow, words), make(bitRow, words), make(bitRow, words)
	bright := &p.levels.bright[p.channel]
	for i := p.from; i < p.to; i++ {
		if p.isOne(i) {
			p.are.set(i)
			if bright.at(i) <= p.bright {
				p.typical.set(i)
			}
		}
		if p.mayLieBetween(i) {
			p.between.set(i)
		}
	}
	p.levels, p.part = nil, nil
}

// has reports whether a frame is one of them, once they are settled; isOne, before.
func (p *pauses) has(i int) bool { return p.are.at(i) }

func (p *pauses) isOne(i int) bool {
	if i < p.from || i >= p.to || i >= p.levels.audible[p.channel].n || !p.inPart(i) {
		return false
	}
	level := p.levels.pause[p.channel].at(i)
	return level >= p.low && level <= p.high && p.levels.audible[p.channel].at(i) <= p.most && p.levels.live(p.channel, i)
}

// isTypical reports whether a frame is one of them whose level is taken: one that holds
// no more above 2 kHz than most of them do.
func (p *pauses) isTypical(i int) bool { return p.typical.at(i) }

// inOrBetween reports whether a frame is one of them or may lie between two of them.
func (p *pauses) inOrBetween(i int) bool { return p.between.at(i) }

func (p *pauses) mayLieBetween(i int) bool {
	level := p.levels.pause[p.channel].at(i)
	return level >= p.low && level <= p.quiet && p.levels.live(p.channel, i) && p.inPart(i)
}

// inPart reports whether a frame is in the part of the take that is inspected.
func (p *pauses) inPart(i int) bool { return p.part == nil || p.part.at(i) }

// live reports whether a frame holds recorded sound.
func (l *frameLevels) live(channel, i int) bool {
	return l.pause[channel].at(i) > 100*deadDB && !l.zeros[channel].at(i)
}

// seconds is the total length of the pauses.
func (p *pauses) seconds() float64 { return float64(p.frames) * hopMs / 1000 }

// longestSeconds is the length of the longest pause.
func (p *pauses) longestSeconds() float64 {
	longest, run := 0, 0
	for i := p.from; i < p.to; i++ {
		if !p.has(i) {
			run = 0
			continue
		}
		run++
		longest = max(longest, run)
	}
	return float64(longest) * hopMs / 1000
}

// findPauses finds the noise of a channel in a part of the take: in some of its frames of
// 50 ms, or in all of them where part is nil.
func (l *frameLevels) findPauses(channel int, part bitRow, counts *levelCounts) (*pauses, bool) {
	track := &l.pause[channel]
	p := &pauses{levels: l, channel: channel, part: part, to: track.n}
	for p.to > 0 && !p.inPart(p.to-1) {
		p.to--
	}
	for p.from < p.to && !p.inPart(p.from) {
		p.from++
	}
	counts.clear()
	for i := p.from; i < p.to; i++ {
		if l.live(channel, i) && p.inPart(i) {
			counts.add(track.at(i))
		}
	}
	mode, ok := counts.lowestMode()
	if !ok {
		return nil, false
	}
	p.around(mode, counts)
	p.findBright(counts)
	// Breaths begin and end softly: in every pause, they fill the upper end of the hump, and
	// where pauses are short they move it. It is found again without them. (own choice: a
	// breath in every pause of 48 rooms moved the threshold of an expander by 0.09 dB in the
	// median where it is found once, and by 0.07 dB where it is found again)
	counts.clear()
	for i := p.from; i < p.to; i++ {
		if l.live(channel, i) && p.inPart(i) && l.bright[channel].at(i) <= p.breath {
			counts.add(track.at(i))
		}
	}
	if mode, ok = counts.lowestMode(); ok {
		p.around(mode, counts)
		p.findBright(counts)
	}
	power, frames := 0.0, 0
	for i := p.from; i < p.to; i++ {
		if p.isOne(i) {
			p.frames++
			if l.bright[channel].at(i) <= p.breath {
				power += dsp.DBToPower(track.db(i))
				frames++
			}
		}
	}
	p.levelDB = dsp.PowerToDB(power/float64(max(1, frames))) + p.missingDB
	p.settle()
	return p, p.seconds() >= leastPauseSeconds
}

// around takes the frames around a mode of the levels that are counted.
func (p *pauses) around(mode int, counts *levelCounts) {
	spread := counts.spreadBelow(mode)
	p.low, p.high, p.quiet = int16(float64(mode)-300*spread), int16(float64(mode)+100*upperSpreads*spread), int16(float64(mode)+100*quietSpreads*spread)
	p.missingDB, p.most = missingSpreads*spread, math.MaxInt16
	counts.clear()
	for i := p.from; i < p.to; i++ {
		if p.isOne(i) {
			counts.add(p.levels.audible[p.channel].at(i))
		}
	}
	// Noise of few degrees of freedom lies up to 1.7 times as far over its median for
	// one frame in a thousand as it lies under it for one in six; steady noise of many
	// 2.4 times as far for one in a hundred. What is above 2.4 times that is a thump, or the
	// ring of a step or of a door. (own choice: of 24 takes with nine disturbances each the
	// floor then moves by 0.49 dB at most, by 0.52 dB with 3 times and by 0.54 dB with twice.
	// What is left comes from few seconds of noise below 150 Hz.)
	median := counts.quantile(0.5)
	p.most = int16(100 * (median + max(1, 2.4*(median-counts.quantile(0.16)))))
}

// brightSpreads is how many spreads over the lowest hump of the levels above 2 kHz a
// frame may lie: what is left out above it is 0.03 spreads of the mean at most. A breath
// lies further above it: the level of a room that drifts by 1 dB up and down does not.
// (own choice)
const brightSpreads, breathDB = 2.3, 2

// findBright finds the largest level above 2 kHz of the pauses whose level is taken, and
// that over which a frame holds a breath.
func (p *pauses) findBright(counts *levelCounts) {
	counts.clear()
	for i := p.from; i < p.to; i++ {
		if p.isOne(i) {
			counts.add(p.levels.bright[p.channel].at(i))
		}
	}
	p.bright, p.breath = math.MaxInt16, math.MaxInt16
	if mode, ok := counts.lowestMode(); ok {
		spread := brightSpreads * counts.spreadBelow(mode)
		p.bright, p.breath = int16(float64(mode)+100*spread), int16(float64(mode)+100*max(breathDB, spread))
	}
}
