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
// unchanged, and a wish (every frame as it is, the last ones faded out).
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
	bank   *Polyphase // Annex 2
	limit  float64
	stride int       // frames of a step, and of the wish's fade: the ramp
	fade   []float64 // the wish's last factors

	next     int       // index of the first frame without a final gain
	plan     []float64 // factors of frames next … next+stride−1, then as many zeros
	wish     []float64
	standard bool // the plan is the fade
	signal   [][]float64
	trial    []float64
	lowered  []float64

	// No reading of the standard wish exceeds flat · max |sample| + bend · max
	// |second difference|, both of the signal without factors.
	flat, bend float64
	blocks     []guardBlock // the last steps' frames, the newest last
	fresh      int          // how many of them are up to date
}

// guardBlock is what bounds the readings over a step's frames: the largest
// |sample| and |second difference| that ends there, of any channel.
type guardBlock struct{ peak, bend float64 }

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
	g := ceilingGuard{bank: Annex2(), limit: limit, stride: min(len(guardFade), max(3, latency/12))}
	g.fade = guardFade[len(guardFade)-g.stride:]
	frames, margin := 2*g.stride, g.margin()
	g.plan, g.wish, g.lowered = make([]float64, frames), make([]float64, frames), make([]float64, frames)
	g.wishAll()
	g.trial = make([]float64, frames+2*margin)
	g.signal = make([][]float64, channels)
	for c := range g.signal {
		g.signal[c] = make([]float64, len(g.trial))
	}
	g.blocks = make([]guardBlock, 2+(margin+g.stride-1)/g.stride)
	g.bounds()
	return g
}

// bounds finds flat and bend: those of the interpolator's rows, cut off by the
// wish's factors. The second differences end with the last frame known, so rows
// that are centred beyond it are developed about the last two frames.
func (g *ceilingGuard) bounds() {
	taps, half, margin := 2*g.bank.Half(), g.bank.Half(), g.margin()
	factors := g.trial
	fill(factors[:margin], 1)
	copy(factors[margin:], g.wish)
	known := margin + len(g.wish)
	for n := 0; n+taps <= len(factors); n++ {
		for _, row := range g.bank.rows {
			cut := make([]float64, taps)
			for j := range cut {
				cut[j] = row[j] * factors[n+j]
			}
			flat, bends := rowBound(cut, max(0, min(half-1, known-2-n)))
			var bend float64
			for _, k := range bends {
				bend += k
			}
			g.flat, g.bend = max(g.flat, flat), max(g.bend, bend)
		}
	}
	clear(factors)
	g.flat, g.bend = g.flat*boundMargin, g.bend*boundMargin
}

// wishAll wishes for every frame, and the fade.
func (g *ceilingGuard) wishAll() {
	fill(g.wish, 1)
	copy(g.wish[g.stride:], g.fade)
}

// margin is how many frames on either side share an interval with a frame.
func (g *ceilingGuard) margin() int { return 2*g.bank.Half() - 1 }

// latency is the number of frames from a frame to the step that settles it.
func (g *ceilingGuard) latency() int { return 2*g.stride - 1 }

func (g *ceilingGuard) reset(next int) {
	g.next = next
	clear(g.plan)
	copy(g.plan, g.fade)
	g.standard = true
	g.fresh = 0
}

// run makes as many gains final as it can, now that the gains of the frames
// below known are there. It reports whether it lowered any.
func (g *ceilingGuard) run(planes []limiterPlane, gain []float64, known int) (lowered bool) {
	steps := (known-g.next)/g.stride - 1
	if steps <= 0 {
		return false
	}
	if g.standard && g.quiet(planes, steps) {
		g.next += steps * g.stride
		g.fresh = 0
		return false
	}
	for range steps {
		if !g.bounded(planes, gain) || !g.standard {
			if g.step(planes, gain) {
				lowered = true
				g.fresh = 0
			}
		}
		g.next += g.stride
	}
	return lowered
}

// quiet tells from the cells' maxima that no factors could lift a reading of
// the coming steps to the limit.
func (g *ceilingGuard) quiet(planes []limiterPlane, steps int) bool {
	first, last := (g.next-g.margin())/peakCell, (g.next+(steps+1)*g.stride-1)/peakCell
	var largest uint64
	for c := range planes {
		for _, cell := range planes[c].cells[first : last+1] {
			largest = max(largest, cell)
		}
	}
	return math.Float64frombits(largest)*g.bank.L1() <= g.limit
}

// bounded tells from the samples and their second differences that the wish
// fits.
func (g *ceilingGuard) bounded(planes []limiterPlane, gain []float64) bool {
	copy(g.blocks, g.blocks[1:])
	newest := len(g.blocks) - 1
	stale := max(0, newest-g.fresh)
	g.fresh = len(g.blocks)
	var all guardBlock
	for i := range g.blocks {
		if i < stale || i == newest {
			g.blocks[i] = g.look(planes, gain, g.next+len(g.wish)-(newest-i)*g.stride)
		}
		all.peak, all.bend = max(all.peak, g.blocks[i].peak), max(all.bend, g.blocks[i].bend)
	}
	return float64(g.flat*all.peak)+float64(g.bend*all.bend) <= g.limit
}

// step settles the gains of the next stride frames. It reports whether it
// lowered any.
func (g *ceilingGuard) step(planes []limiterPlane, gain []float64) (lowered bool) {
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
		if fits && !g.fits(signal) {
			fits = false
		}
	}
	if fits {
		if !g.standard {
			clear(g.plan)
			copy(g.plan, g.fade)
			g.standard = true
		}
		return false
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
	return true
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

// fits tells whether every reading of the wish is within the limit. It
// interpolates only where the bound does not tell.
func (g *ceilingGuard) fits(signal []float64) bool {
	threshold := (g.limit - float64(g.bend*math.Float64frombits(secondDifference(signal)))) / g.flat
	x := g.weighted(signal, g.wish)
	half, last := g.bank.Half(), len(signal)-2
	for n := 0; n+2*half <= len(x); n++ {
		centre := min(n+half-1, last)
		if math.Abs(signal[centre]) > threshold || math.Abs(signal[centre+1]) > threshold {
			if g.bank.Peak(x[n:n+2*half]) > g.limit {
				return false
			}
		}
	}
	return true
}

// look measures the step's frames that end at an index.
func (g *ceilingGuard) look(planes []limiterPlane, gain []float64, end int) guardBlock {
	var peak, bend uint64
	gains := gain[end-g.stride-2 : end]
	for c := range planes {
		x := planes[c].x[end-g.stride-2 : end][:len(gains)]
		a, b := gains[0]*x[0], gains[1]*x[1]
		step := b - a
		for n := 2; n < len(gains); n++ {
			c := gains[n] * x[n]
			next := c - b
			peak = max(peak, math.Float64bits(c)&^signBit)
			bend = max(bend, math.Float64bits(next-step)&^signBit)
			b, step = c, next
		}
	}
	return guardBlock{math.Float64frombits(peak), math.Float64frombits(bend)}
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
