package instrument

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// A tone is compared with a fitted sine, block by block.
const (
	toneBlockMs = 20
	leastCycles = 4 // in a block
	// At a break the residue of a block exceeds breakPeak of the tone, and breakRatio times the
	// typical residue: normal noise stays under 1.5 times. (tests)
	breakPeak  = 0.02
	breakRatio = 4
	// lostLevel is the level, relative to the other blocks, below which the tone has dropped
	// out.
	lostLevel = 0.5
	// A sine is within topShare of its positive peak for 3.2 % of the time, arccos(0.995)/π;
	// one that is clipped 0.3 dB below its peak for 8.9 %. Where a period has fewer than
	// leastInPeriod samples, the two beside a top may be more.
	topShare = 0.995
	flatTime = 0.075

	leastInPeriod = 40
)

// toneBlock is a block of a tone and its residue after a sine is subtracted.
type toneBlock struct {
	level    float64 // peak of the sine
	rest     float64 // largest |sample| of the residue
	at       int     // frame of that sample
	flatHigh bool    // the positive tops are flat
	flatLow  bool
	high     float64 // the largest and the smallest sample
	low      float64
	sine     complex128 // amplitude and phase, the latter against the tone's at frame 0
}

// findBreaks reports faults of a recording that are not the device's.
func (a *Alignment) findBreaks(s stimulus.Signal) error {
	switch v := s.(type) {
	case stimulus.Tone:
		return a.findToneBreaks(v)
	case stimulus.Swept:
		return a.findSweepBreaks(v)
	case stimulus.Silence:
		return a.findIdleBreaks(v)
	}
	return nil
}

// findToneBreaks reports where a tone departs from its fitted sine: a dropout, a click, clipped
// tops.
func (a *Alignment) findToneBreaks(tone stimulus.Tone) error {
	from, to := toneFrames(a.Rate, tone.Seconds, 0)
	length := max(a.Rate*toneBlockMs/1000, int(math.Ceil(leastCycles*float64(a.Rate)/tone.Hz)))
	if to > a.Sound.Frames() || to-from < 5*length {
		return nil
	}
	return eachPlane(a.Sound, func(c int, x []float64) error {
		if tone.Only > 0 && a.Sound.Channels() > 1 && c != tone.Only-1 {
			return nil
		}
		var blocks []toneBlock
		for at := from; at+length <= to; at += length {
			blocks = append(blocks, blockOf(x[at:at+length], at, tone.Hz/float64(a.Rate)))
		}
		known := len(a.Findings)
		a.reportBreaks(blocks, length, a.channel(c))
		if len(a.Findings) == known {
			// What is lost in the part that is left out shifts the last mark too.
			var early []toneBlock
			for at := from % length; at+length <= from; at += length {
				early = append(early, blockOf(x[at:at+length], at, tone.Hz/float64(a.Rate)))
			}
			a.reportJump(append(early, blocks...), tone.Hz, length, a.channel(c))
		}
		if tone.Hz < float64(a.Rate)/leastInPeriod {
			a.reportFlatTops(blocks, a.channel(c))
		}
		return nil
	})
}

// blockOf fits a sine, at a frequency in turns per frame, and a mean.
func blockOf(x []float64, at int, turns float64) toneBlock {
	mean := 0.0
	for _, v := range x {
		mean += v / float64(len(x))
	}
	// Normal equations of cosine and sine; over some periods their sums are near N/2.
	var cc, cs, ss, xc, xs float64
	step := cmplx.Rect(1, 2*math.Pi*turns)
	turn := complex(1, 0)
	for _, v := range x {
		c, s := real(turn), imag(turn)
		cc, cs, ss = cc+c*c, cs+c*s, ss+s*s
		xc, xs = xc+(v-mean)*c, xs+(v-mean)*s
		turn *= step
	}
	d := cc*ss - cs*cs
	p, q := (xc*ss-xs*cs)/d, (xs*cc-xc*cs)/d
	sine := complex(p, -q) * cmplx.Rect(1, -2*math.Pi*math.Mod(turns*float64(at), 1))
	b := toneBlock{sine: sine, level: math.Hypot(p, q), high: slices.Max(x), low: slices.Min(x)}
	turn = 1
	highs, lows := 0, 0
	for n, v := range x {
		if rest := math.Abs(v - mean - p*real(turn) - q*imag(turn)); rest > b.rest {
			b.rest, b.at = rest, at+n
		}
		turn *= step
		if v-mean >= topShare*(b.high-mean) {
			highs++
		}
		if v-mean <= topShare*(b.low-mean) {
			lows++
		}
	}
	b.flatHigh, b.flatLow = float64(highs) > flatTime*float64(len(x)), float64(lows) > flatTime*float64(len(x))
	return b
}

// middleOf is the median of a value over blocks.
func middleOf(blocks []toneBlock, value func(toneBlock) float64) float64 {
	all := make([]float64, len(blocks))
	for i, b := range blocks {
		all[i] = value(b)
	}
	slices.Sort(all)
	return all[len(all)/2]
}

func (a *Alignment) reportBreaks(blocks []toneBlock, length, channel int) {
	level := middleOf(blocks, func(b toneBlock) float64 { return b.level })
	rest := middleOf(blocks, func(b toneBlock) float64 { return b.rest })
	var broken []toneBlock
	for _, b := range blocks {
		if b.level < lostLevel*level || b.rest > breakPeak*level && b.rest > breakRatio*rest {
			broken = append(broken, b)
		}
	}
	// If more than a third is broken, the tone is not steady: other readings show that.
	if len(broken) == 0 || 3*len(broken) > len(blocks) {
		return
	}
	least, loudest := broken[0], broken[0]
	for _, b := range broken {
		if b.level < least.level {
			least = b
		}
		if b.rest > loudest.rest {
			loudest = b
		}
	}
	what := fmt.Sprintf("the tone departs from a sine %s, from %.3f s into it: a click or an edit, %+.1f dB relative to the tone", inBlocks(len(broken), length, a.Rate), float64(broken[0].at)/float64(a.Rate), dsp.AmplitudeToDB(loudest.rest/level))
	if least.level < 0.97*level {
		what = fmt.Sprintf("the tone drops out %s, from %.3f s into it: its level falls by %.1f dB", inBlocks(len(broken), length, a.Rate), float64(broken[0].at)/float64(a.Rate), dsp.AmplitudeToDB(level/max(least.level, 1e-6*level)))
	}
	a.Findings = append(a.Findings, measure.Finding{Severity: measure.Fault, What: what, Do: recordUnbroken + ": readings over that place are not the device's", Frame: -1, Channel: channel})
}

const (
	// A jump of the phase is seen in jumpSpan successive blocks, from each block to the one as
	// far behind it: a click moves the phase of two blocks at most and gives fewer.
	jumpSpan, jumpSeen = 5, 4
	// leastJumpFrames is the least jump, and jumpOut how many times the typical change of phase
	// it has to be. Normal noise stays under 6 times. (tests)
	leastJumpFrames, jumpOut = 0.3, 12
	// The start and the end of a tone are left out, where a device's filters settle.
	jumpStartMs, jumpEndMs = 200, 60
)

// reportJump reports where the phase of a tone jumps and stays there: frames were lost or
// repeated. One frame of a low tone is too small a break to show as a click.
func (a *Alignment) reportJump(blocks []toneBlock, hz float64, length, channel int) {
	skip, end := dsp.Frames(jumpStartMs, a.Rate)/length+1, len(blocks)-dsp.Frames(jumpEndMs, a.Rate)/length-1
	if end-skip < 4*jumpSpan {
		return
	}
	blocks = blocks[skip:end]
	var turns []float64 // radians from block to block
	for k, b := range blocks[1:] {
		turns = append(turns, cmplx.Phase(b.sine*cmplx.Conj(blocks[k].sine)))
	}
	sorted := slices.Sorted(slices.Values(turns))
	usual := sorted[len(sorted)/2] // a difference of clocks
	sums, sizes := make([]float64, len(turns)-jumpSpan+1), make([]float64, len(turns)-jumpSpan+1)
	for k := range sums {
		for _, v := range turns[k : k+jumpSpan] {
			sums[k] += v - usual
		}
		sizes[k] = math.Abs(sums[k])
	}
	frame := 2 * math.Pi * hz / float64(a.Rate)
	least := max(leastJumpFrames*frame, jumpOut*slices.Sorted(slices.Values(sizes))[len(sizes)/2])
	for k := 0; k+jumpSeen <= len(sums); k++ {
		seen := sums[k : k+jumpSeen]
		low, high := slices.Min(seen), slices.Max(seen)
		if low < least && high > -least || max(math.Abs(low), math.Abs(high)) > 1.5*min(math.Abs(low), math.Abs(high)) {
			continue
		}
		at := (skip+k+jumpSpan-1)*length + length
		a.Findings = append(a.Findings, measure.Finding{Severity: measure.Fault, Frame: -1, Channel: channel,
			What: fmt.Sprintf("the phase of the tone jumps by %.2f radians about %.2f s into it, as %.1f lost or repeated frames turn it", math.Abs(sums[k]), float64(at)/float64(a.Rate), math.Abs(sums[k])/frame),
			Do:   recordUnbroken + ": readings over that place are not the device's"})
		return
	}
}

func inBlocks(n, length, rate int) string {
	return fmt.Sprintf("within %d ms", n*length*1000/rate)
}

func (a *Alignment) reportFlatTops(blocks []toneBlock, channel int) {
	var flat []toneBlock
	for _, b := range blocks {
		if b.flatHigh || b.flatLow {
			flat = append(flat, b)
		}
	}
	if len(flat) < 2 {
		return
	}
	side, top := "positive and negative tops", max(flat[0].high, -flat[0].low)
	switch b := flat[0]; {
	case !b.flatLow:
		side, top = "positive tops", b.high
	case !b.flatHigh:
		side, top = "negative tops", -b.low
	}
	where := "throughout"
	if len(flat) < len(blocks) {
		where = fmt.Sprintf("in %d of %d blocks, first %.3f s into it", len(flat), len(blocks), float64(flat[0].at)/float64(a.Rate))
	}
	a.Findings = append(a.Findings, measure.Finding{Severity: measure.Warning, What: fmt.Sprintf("the %s of the tone are cut flat at %.1f dBFS, %s: something clips there", side, dsp.AmplitudeToDB(math.Abs(top)), where), Do: "lower the level in front of what clips, unless this is what is to be measured", Frame: -1, Channel: channel})
}
