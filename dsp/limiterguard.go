package dsp

import "math"

// ceilingGuard is the last word on a limited signal u: it lowers it where the
// Annex 2 interpolator would still read over the limit, and it can do so for
// every input. On programme it does nothing; it is there for what look-ahead
// and smoothing do not cover, readings that arise because the gain moves under
// the interpolator.
//
// # Why no reading exceeds the limit
//
// Time goes in steps of stride frames. After each step there is a plan: a
// factor of 0 to 1 for each of the last ramp frames known, with silence from
// there on. The invariant: what has been put out, followed by the plan,
// followed by silence for ever, reads within the limit in every interval, those
// that reach into the silence included.
//
// A step brings stride new frames. Two continuations are weighed: the old plan
// (new frames: silence), which keeps the invariant because as a signal it is
// unchanged, and a wish (every frame as it is, the last ramp ones faded out).
// A reading is linear in the factors and the limit is the same for both signs,
// so the plans within the limit form a convex set: if the wish is in it, it is
// taken; if not, the old plan plus the largest share of the difference that
// keeps every reading within the limit. Either way the invariant holds, and so
// it holds for all that is ever put out. Nothing is assumed about the input or
// the wish, only that the samples are finite. ∎
//
// What the proof leaves open is how much is lost. So a wish that does not fit is
// first lowered under the intervals that are over, by about what they are over;
// the share is then nearly all.
type ceilingGuard struct {
	bank         *Polyphase // Annex 2
	limit        float64
	stride, ramp int
	fade         []float64 // of the wish's last ramp frames

	next     int       // index of the first frame without a final gain
	plan     []float64 // factors of frames next … next+ramp−1, then stride zeros
	wish     []float64
	standard bool // the plan is the fade
	lowered  []float64
	signal   [][]float64 // per channel, frames next−margin …, without factors
	trial    []float64
}

// guardFade is the fade that raises Annex 2 readings least: cut off by it and
// silence, no steady tone of 0 to 0.41 of the rate, whatever its phase, reads
// more than 0.0002 dB above what it read before (found by linear programming).
// A raised cosine of the same length has 0.05 dB.
var guardFade = [...]float64{
	0.99988, 0.99979, 0.99964, 0.99928, 0.99874, 0.99591, 0.99124, 0.98487, 0.96284, 0.92071, 0.81203, 0.89868,
}

// guardLowerings is how many times a step lowers its wish at most. More do not
// make the gain any higher (±1 noise, impulses in tones).
const guardLowerings = 3

func newCeilingGuard(limit float64, latency, channels int) ceilingGuard {
	g := ceilingGuard{
		bank: Annex2(), limit: limit,
		stride: min(len(guardFade), max(2, latency/12)),
		ramp:   min(len(guardFade), max(4, latency/12)),
	}
	g.fade = guardFade[len(guardFade)-g.ramp:]
	frames := g.ramp + g.stride
	g.plan, g.wish, g.lowered = make([]float64, frames), make([]float64, frames), make([]float64, frames)
	g.wishAll()
	g.signal = make([][]float64, channels)
	for c := range g.signal {
		g.signal[c] = make([]float64, frames+2*g.margin())
	}
	g.trial = make([]float64, frames+2*g.margin())
	return g
}

// wishAll wishes for every frame, and the fade.
func (g *ceilingGuard) wishAll() {
	fill(g.wish, 1)
	copy(g.wish[g.stride:], g.fade)
}

// margin is how many frames on either side share an interval with a frame.
func (g *ceilingGuard) margin() int { return 2*g.bank.Half() - 1 }

// latency is the number of frames from a frame to the step that settles it.
func (g *ceilingGuard) latency() int { return g.ramp + g.stride - 1 }

func (g *ceilingGuard) reset(next int) {
	g.next = next
	clear(g.plan)
	copy(g.plan, g.fade)
	g.standard = true
}

// run makes as many gains final as it can, now that the gains of the frames
// below known are there.
func (g *ceilingGuard) run(planes []limiterPlane, gain []float64, known int) {
	for g.next+g.ramp+g.stride <= known {
		if !g.standard || !g.quiet(planes) {
			g.step(planes, gain)
		}
		g.next += g.stride
	}
}

// quiet tells from the cells' maxima that no factors could lift a reading to
// the limit.
func (g *ceilingGuard) quiet(planes []limiterPlane) bool {
	first, last := (g.next-g.margin())/peakCell, (g.next+g.ramp+g.stride-1)/peakCell
	for c := range planes {
		for _, largest := range planes[c].cells[first : last+1] {
			if math.Float64frombits(largest)*g.bank.L1() > g.limit {
				return false
			}
		}
	}
	return true
}

func (g *ceilingGuard) step(planes []limiterPlane, gain []float64) {
	frames, margin := len(g.wish), g.margin()
	from := g.next - margin
	gain = gain[from : from+margin+frames]
	fits := true
	for c := range planes {
		signal := g.signal[c][:len(gain)]
		x := planes[c].x[from : from+len(gain)]
		for n, v := range gain {
			signal[n] = v * x[n]
		}
		if fits && !g.fits(g.weighted(signal, g.wish)) {
			fits = false
		}
	}
	if fits {
		if !g.standard {
			clear(g.plan)
			copy(g.plan, g.fade)
			g.standard = true
		}
		return
	}
	g.standard = false
	for range guardLowerings {
		if !g.lower() {
			break
		}
	}
	g.approach()
	g.wishAll()
	for k, factor := range g.plan[:g.stride] {
		gain[margin+k] *= factor
	}
	clear(g.plan[copy(g.plan, g.plan[g.stride:]):])
}

// weighted is a channel's signal with factors, in g.trial: the frames before
// them as they are, silence after them.
func (g *ceilingGuard) weighted(signal, factors []float64) []float64 {
	margin := g.margin()
	copy(g.trial, signal[:margin])
	trial := g.trial[margin:]
	for k, factor := range factors {
		trial[k] = factor * signal[margin+k]
	}
	return g.trial
}

// fits tells whether every reading of x is within the limit.
func (g *ceilingGuard) fits(x []float64) bool {
	var largest uint64
	for _, v := range x {
		largest = max(largest, math.Float64bits(v)&^signBit)
	}
	if math.Float64frombits(largest)*g.bank.L1() <= g.limit {
		return true
	}
	flat, bend := g.bank.Bound()
	threshold := (g.limit - float64(bend*secondDifference(x))) / flat
	if math.Float64frombits(largest) <= threshold {
		return true
	}
	half := g.bank.Half()
	for n := 0; n+2*half <= len(x); n++ {
		if math.Abs(x[n+half-1]) > threshold || math.Abs(x[n+half]) > threshold {
			if g.bank.Peak(x[n:n+2*half]) > g.limit {
				return false
			}
		}
	}
	return true
}

// lower lowers the wish under every interval over the limit, and reports
// whether there was one. Lowering by a tenth more than needed makes up for
// frames under the interval that are put out already and stay.
func (g *ceilingGuard) lower() (over bool) {
	taps, margin := 2*g.bank.Half(), g.margin()
	fill(g.lowered, 1)
	for _, signal := range g.signal {
		x := g.weighted(signal, g.wish)
		for n := 0; n+taps <= len(x); n++ {
			peak := g.bank.Peak(x[n : n+taps])
			if peak <= g.limit {
				continue
			}
			over = true
			factor := max(0, 1-float64(1.1*(1-g.limit/peak)))
			for k := max(0, n-margin); k < min(len(g.wish), n+taps-margin); k++ {
				g.lowered[k] = min(g.lowered[k], factor)
			}
		}
	}
	for k, factor := range g.lowered {
		g.wish[k] *= factor
	}
	return over
}

// approach moves the plan towards the wish as far as the limit allows.
func (g *ceilingGuard) approach() {
	taps, margin := 2*g.bank.Half(), g.margin()
	share := 1.0
	for _, signal := range g.signal {
		for n := 0; n+taps <= len(signal); n++ {
			for p := range g.bank.rows {
				var now, change float64 // the reading, and the wish's minus it
				for j, h := range g.bank.rows[p] {
					k := n + j - margin
					if k >= len(g.plan) { // silence
						break
					}
					x := float64(h * signal[n+j])
					if k < 0 { // put out already
						now += x
						continue
					}
					now += float64(g.plan[k] * x)
					change += float64((g.wish[k] - g.plan[k]) * x)
				}
				if now < 0 {
					now, change = -now, -change
				}
				switch {
				case now+change > g.limit:
					share = min(share, (g.limit-now)/change)
				case now+change < -g.limit:
					share = min(share, (g.limit+now)/-change)
				}
			}
		}
	}
	share = max(0, share) // now may be over by its rounding
	for k := range g.plan {
		g.plan[k] += float64(share * (g.wish[k] - g.plan[k]))
	}
}
