package dsp

import (
	"math"

	"github.com/boothbench/boothbench/dsp/vector"
)

// ceilingGuard is the last stage of gain: it lowers a signal where an
// interpolator reads over the limit, and it can do so for every input.
//
// # Why no reading exceeds the limit
//
// Time is divided into steps of stride frames. After each step there is a plan:
// a factor of 0 to 1 for each of the last stride known frames, with silence
// after them. The invariant: the frames put out so far, followed by the plan,
// followed by silence without end, read within the limit in every interval,
// including the intervals that reach into the silence.
//
// A step brings stride new frames. Two continuations are weighed: the old plan
// (new frames: silence), which keeps the invariant because as a signal it is
// unchanged, and a target (every frame as it is, the last ones faded out).
// A reading is linear in the factors and the limit is the same for both signs,
// so the plans within the limit form a convex set: if the target is in it, it is
// taken; if not, the old plan plus the largest share of the difference that
// keeps every reading within the limit. Either way the invariant holds, and so
// it holds for all that is ever put out. Nothing is assumed about the input or
// the target, only that the samples are finite. ∎
//
// The proof does not limit how much level is lost. Therefore a target that does not
// fit is first lowered under the intervals that are over, by about their excess.
// Where a reading is decided by frames that are already put out, the target keeps
// to the old plan (see keeping). Usually the target then fits; if not, the share is close to 1.
//
// # On the grid of an output format
//
// Frames that are whole multiples of a step, dithered and rounded, stay whole
// multiples: a frame under a factor is rounded to the grid again. Plans and targets
// are then compared in their rounded form. A target, or a share of the way to it,
// is taken only if its rounded frames were read and are within the limit; otherwise
// the old plan, which was read in the same way, is carried on. The invariant
// therefore holds for the rounded frames themselves, with no allowance for the
// rounding. Where no factor is needed, frames pass bit for bit, with their dither.
type ceilingGuard struct {
	banks   []guardBank
	limit   float64
	grid    float64 // step of the grid; 0: none
	aim     float64 // limit for unrounded frames: readings within it stay within the limit when frames are rounded
	stride  int     // frames of a step, and of the target's fade
	alone   bool    // no other gain acts on the signal
	keeping keeping
	margin  int       // frames on either side that share an interval with a frame
	fade    []float64 // the target's last factors

	next     int       // index of the first frame without a final gain
	plan     []float64 // factors of frames next … next+stride−1, then as many zeros
	target   []float64
	standard bool // the plan is the fade
	signal   [][]float64
	trial    []float64
	lowered  []float64
	moved    []float64
	best     []float64 // of the targets that fit
	scan     overScan

	blocks []vector.Extent // frames of the last steps, the newest last
	fresh  int             // how many of the blocks are up to date

	plain      []plainPeaks // by channel and bank
	plainKnown bool         // some of them are not 0
	ahead      guardAhead
	undecided  int // steps since bounds have decided one

	dipped float64 // the target is the standard one times factors that change by this at most from frame to frame
	kept   bool    // it is not: it keeps to the plan
}

// keeping is how a target keeps to the old plan where frames that are already put out
// decide a reading: with each lowering for longer, so that no more is lost than necessary.
type keeping struct {
	lowerings int   // at most
	growth    int   // each time is longer than the last by one part in so many
	fades     []int // lengths of the crossfade that are tried, as multiples of the time; the target that loses least is taken
}

// One lowering is usually enough. At the edges of files, where readings lie close together,
// 12 lose 0.06 dB where 3 lose 4 dB. In noise that fills the band, one long step in some
// hundreds keeps to the plan. There half the growth and a second crossfade lose up to 0.4
// dB less: over what readings exceed, 1.48 dB at most where it was 1.84 (uniform, Gaussian
// and sign noise, 24 times 30 s).
var (
	shortKeeping = keeping{lowerings: 32, growth: 8, fades: []int{1}}
	longKeeping  = keeping{lowerings: 64, growth: 16, fades: []int{1, 2}}
)

// guardDips is how many of these lowerings leave the first frames to dips, before the
// target keeps to the old plan there.
const guardDips = 2

// guardHalvings is how many shares a step tries on a grid before it carries on
// with the old plan.
const guardHalvings = 4

// newCeilingGuard builds a guard for a fade; the length of the fade is also the
// stride.
func newCeilingGuard(limit float64, fade []float64, channels int, interpolators ...*Polyphase) ceilingGuard {
	g := ceilingGuard{limit: limit, aim: limit, stride: len(fade), fade: fade, keeping: shortKeeping, target: make([]float64, 2*len(fade))}
	for _, p := range interpolators {
		g.margin = max(g.margin, 2*p.Half()-1)
	}
	g.targetAll()
	for _, p := range interpolators {
		g.banks = append(g.banks, newGuardBank(p, g.target, g.margin))
	}
	return g.twin(channels)
}

// twin returns a guard with the same settings, for a number of channels.
func (g ceilingGuard) twin(channels int) ceilingGuard {
	g.allocate(channels)
	return g
}

// allocate gives the guard its own memory.
func (g *ceilingGuard) allocate(channels int) {
	frames := 2 * g.stride
	g.plan, g.target, g.best = make([]float64, frames), make([]float64, frames), make([]float64, frames)
	g.lowered, g.moved = make([]float64, frames), make([]float64, frames)
	g.targetAll()
	g.trial = make([]float64, frames+2*g.margin)
	g.signal = make([][]float64, channels)
	for c := range g.signal {
		g.signal[c] = make([]float64, g.margin+frames)
	}
	g.blocks = make([]vector.Extent, 2+(g.margin+g.stride-1)/g.stride)
	g.plain = make([]plainPeaks, channels*len(g.banks))
	g.scan = newOverScan(len(g.trial))
	g.ahead = newGuardAhead(g.banks, g.target, g.reach(), len(g.blocks), channels)
}

// targetAll sets the target: every frame unchanged, then the fade.
func (g *ceilingGuard) targetAll() {
	fill(g.target, 1)
	copy(g.target[g.stride:], g.fade)
}

// onGrid sets the step of the grid; 0: none. Rounding moves a frame by half a
// step at most, and a reading by half a step times its row's L1 norm.
func (g *ceilingGuard) onGrid(step float64) {
	l1 := 0.0
	for i := range g.banks {
		l1 = max(l1, g.banks[i].L1())
	}
	g.grid, g.aim = step, g.limit-float64(step/2*l1)
}

// onto rounds frames to the grid.
func (g *ceilingGuard) onto(x []float64) {
	if g.grid == 0 {
		return
	}
	for n, v := range x {
		x[n] = math.RoundToEven(v/g.grid) * g.grid // both exact: the step is a power of two
	}
}

// latency is the number of frames from a frame's arrival to the step that fixes
// its gain.
func (g *ceilingGuard) latency() int { return 2*g.stride - 1 }

// reach is how many frames are needed before the first one without a final
// gain.
func (g *ceilingGuard) reach() int { return (len(g.blocks)-2)*g.stride + 2 }

// reset starts the guard at frame next; everything before it counts as silence.
func (g *ceilingGuard) reset(next int) {
	g.next = next
	clear(g.plan)
	copy(g.plan, g.fade)
	g.standard = true
	g.fresh = 0
	g.undecided = 0
	g.forgetPlain()
}

// run makes as many gains final as it can. The gains of all frames below known
// are given. It reports whether it lowered any.
func (g *ceilingGuard) run(planes []limiterPlane, gain []float64, known int) (lowered bool) {
	steps := (known-g.next)/g.stride - 1
	if steps <= 0 {
		return false
	}
	if g.standard && g.quiet(planes, steps) {
		g.next += steps * g.stride
		g.fresh = 0
		g.forgetPlain()
		return false
	}
	for range steps {
		switch {
		case g.standard && g.bounded(planes, gain, known):
			g.undecided = 0
			g.forgetPlain()
		case g.standard && g.fitsAhead():
			g.forgetPlain()
		default:
			g.undecided++
			changed := g.step(planes, gain)
			if changed {
				lowered = true
				g.fresh = 0
				g.ahead.forget()
			}
			g.movePlain(changed)
		}
		g.next += g.stride
	}
	g.ahead.forget()
	return lowered
}

// fitsAhead reports whether readings of the coming steps show that the target fits. They are
// made once it takes several steps that bounds do not decide.
func (g *ceilingGuard) fitsAhead() bool {
	const noise = 3 // steps
	if g.ahead.target == nil || g.grid > 0 || !g.ahead.read && g.undecided < noise {
		return false
	}
	return g.ahead.fits(g.next, g.margin, g.aim)
}

// forgetPlain forgets all plain readings.
func (g *ceilingGuard) forgetPlain() {
	if g.plainKnown {
		clear(g.plain)
		g.plainKnown = false
	}
}

// movePlain moves the plain readings on by a step. If frames were lowered that are put out
// with it, those over such frames are forgotten.
func (g *ceilingGuard) movePlain(lowered bool) {
	for i := range g.plain {
		if b := &g.banks[i%len(g.banks)]; b.fromPlain != nil {
			p := &g.plain[i]
			clear(p[copy(p[:], p[g.stride/peakCell:]):])
			if lowered {
				clear(p[:(g.margin+b.reach)/peakCell+1])
			}
			g.plainKnown = true
		}
	}
}

// quiet reports from the cells' maxima that no factors could raise a reading of
// the coming steps to the limit.
func (g *ceilingGuard) quiet(planes []limiterPlane, steps int) bool {
	first, last := (g.next-g.margin)/peakCell, (g.next+(steps+1)*g.stride-1)/peakCell
	largest := 0.0
	for c := range planes {
		largest = max(largest, vector.Peak(planes[c].cells[first:last+1]))
	}
	for i := range g.banks {
		if largest*g.banks[i].L1() > g.limit {
			return false
		}
	}
	return true
}

// bounded reports whether the samples and their second differences alone show
// that the target fits.
func (g *ceilingGuard) bounded(planes []limiterPlane, gain []float64, known int) bool {
	if g.ahead.target != nil {
		g.ahead.cover(planes, gain, g.next, known)
		return g.ahead.bounded(g.next, g.aim)
	}
	copy(g.blocks, g.blocks[1:])
	newest := len(g.blocks) - 1
	stale := max(0, newest-g.fresh)
	g.fresh = len(g.blocks)
	var all vector.Extent
	for i := range g.blocks {
		if i < stale || i == newest {
			g.blocks[i] = g.look(planes, gain, g.next+len(g.target)-(newest-i)*g.stride)
		}
		all = all.Of(g.blocks[i])
	}
	for i := range g.banks {
		if !g.banks[i].bounded(all, g.aim) {
			return false
		}
	}
	return true
}

// look measures the step's frames that end at an index.
func (g *ceilingGuard) look(planes []limiterPlane, gain []float64, end int) vector.Extent {
	var all [1]vector.Extent
	from := end - g.stride - 2
	for c := range planes {
		part := planes[c].x[from:end]
		if !g.alone || from < g.next {
			part = g.trial[:len(part)]
			vector.Multiply(part, gain[from:end], planes[c].x[from:end])
		}
		vector.Extents(part, g.stride, all[:])
	}
	return all[0]
}

// step makes the gains of the next stride frames final. It reports whether it
// lowered any.
func (g *ceilingGuard) step(planes []limiterPlane, gain []float64) (lowered bool) {
	from := g.next - g.margin
	gain = gain[from : g.next+len(g.target)]
	for c := range planes {
		signal := g.signal[c][:len(gain)]
		x := planes[c].x[from : from+len(gain)]
		vector.Multiply(signal, gain, x)
		g.onto(signal[:g.margin]) // as they were put out
	}
	switch lowerings, within := g.lowerUntilWithin(); {
	case within && lowerings == 0:
		if !g.standard {
			clear(g.plan)
			copy(g.plan, g.fade)
			g.standard = true
		}
		return false
	case within:
		copy(g.plan, g.target)
	default:
		g.approach()
	}
	g.standard = false
	g.targetAll()
	for k, factor := range g.plan[:g.stride] {
		gain[g.margin+k] *= factor
	}
	clear(g.plan[copy(g.plan, g.plan[g.stride:]):])
	return true
}

// fits reports whether the signal is within the limit with these factors.
func (g *ceilingGuard) fits(factors []float64) bool {
	for _, signal := range g.signal {
		g.scan.of(g.weighted(signal, factors), signal)
		for i := range g.banks {
			g.scan.begin(&g.banks[i], g.margin, g.limit)
			if n, _ := g.scan.next(); n >= 0 {
				return false
			}
		}
	}
	return true
}

// weighted returns a channel's signal with factors, in g.trial: the frames
// before the factors unchanged, silence after them.
func (g *ceilingGuard) weighted(signal, factors []float64) []float64 {
	copy(g.trial, signal[:g.margin])
	trial := g.trial[g.margin:][:len(factors)]
	vector.Multiply(trial, factors, signal[g.margin:])
	g.onto(trial)
	return g.trial
}

// lowerUntilWithin lowers the standard target until nothing is over the limit. It
// returns how many times, and whether it succeeded. Where the target must keep to the plan
// it tries each crossfade, and takes the target whose least factor is highest.
func (g *ceilingGuard) lowerUntilWithin() (lowerings int, within bool) {
	highest := 0.0
	for i, fade := range g.keeping.fades {
		if i > 0 {
			g.targetAll()
		}
		var fits bool
		if lowerings, fits = g.lowerKeeping(fade); !g.kept {
			return lowerings, fits
		}
		if least := vector.Lowest(g.target[:g.stride], 1); fits && least > highest {
			within, highest = true, least
			copy(g.best, g.target)
		}
	}
	if within {
		copy(g.target, g.best)
	}
	return lowerings, within
}

// lowerKeeping is lowerUntilWithin with one length of crossfade.
func (g *ceilingGuard) lowerKeeping(fade int) (lowerings int, within bool) {
	keep := max(1, g.stride/32) // frames
	g.dipped, g.kept = 0, false
	for ; lowerings < g.keeping.lowerings; lowerings++ {
		over, early := g.lower(lowerings == 0, lowerings >= guardDips)
		if !over {
			return lowerings, true
		}
		if early {
			g.keepToPlan(keep, fade*keep)
			g.kept = true
			keep = min(keep+(keep+g.keeping.growth-1)/g.keeping.growth, g.stride)
		}
	}
	return lowerings, false
}

// keepToPlan makes the target equal to the old plan for some frames, and crossfades
// to the former target over fade frames.
func (g *ceilingGuard) keepToPlan(frames, fade int) {
	copy(g.target[:frames], g.plan)
	for k := range min(fade, len(g.target)-frames) {
		_, cos := SincosPi((float64(k) + 0.5) / float64(fade))
		g.target[frames+k] = min(1, g.plan[frames+k]+float64((0.5-float64(0.5*cos))*(g.target[frames+k]-g.plan[frames+k])))
	}
}

// lower lowers the target under every interval over the limit, and reports whether
// there was one. It lowers by a tenth more than needed, because frames under the
// interval that are already put out stay as they are. With keep it skips intervals
// whose reading such frames decide, and reports them as early. With standard the target
// is the standard one, for which bounds are known.
func (g *ceilingGuard) lower(standard, keep bool) (over, early bool) {
	for c, signal := range g.signal {
		g.scan.of(g.weighted(signal, g.target), signal)
		for i := range g.banks {
			b := &g.banks[i]
			if standard {
				g.scan.beginStandard(b, g.margin, g.limit, g.aim)
			} else {
				g.scan.begin(b, g.margin, g.limit)
			}
			if !g.kept {
				g.scan.knows(&g.plain[c*len(g.banks)+i], g.dipped, g.aim)
			}
			for n, peak := g.scan.next(); n >= 0; n, peak = g.scan.next() {
				if !over {
					over = true
					fill(g.lowered, 1)
				}
				if keep && n < g.margin+b.half/8 {
					early = true
				} else {
					b.dip(g.lowered, n-g.margin, min(1, 1.1*(1-g.aim/peak)))
				}
			}
		}
	}
	if over {
		steepest, before := 0.0, 1.0
		for k, factor := range g.lowered {
			g.target[k] *= factor
			steepest, before = max(steepest, math.Abs(factor-before)), factor
		}
		g.dipped += steepest
	}
	return over, early
}

// approach moves the plan towards the target as far as the limit allows. Where
// plan and target are both within the limit, everything between them is too; only
// intervals where the target is over restrict the move. On a grid, rounding can
// break this: the result is read, and halved if it does not fit.
func (g *ceilingGuard) approach() {
	share := 1.0
	for _, signal := range g.signal {
		g.scan.of(g.weighted(signal, g.target), signal)
		for i := range g.banks {
			b := &g.banks[i]
			g.scan.begin(b, g.margin, g.limit)
			for n, _ := g.scan.next(); n >= 0; n, _ = g.scan.next() {
				for p := range b.rows {
					share = min(share, g.share(b, p, n, signal))
				}
			}
		}
	}
	for range guardHalvings {
		for k, target := range g.target {
			g.moved[k] = g.plan[k] + float64(share*(target-g.plan[k]))
		}
		if g.grid == 0 || g.fits(g.moved) {
			copy(g.plan, g.moved)
			return
		}
		share /= 2
	}
}

// share is how far from plan (0) to target (1) a row's reading of interval n of
// the signal stays within the limit.
func (g *ceilingGuard) share(b *guardBank, p, n int, signal []float64) float64 {
	var now, change float64 // the plan's reading, and the target's reading minus the plan's
	for j, h := range b.rows[p] {
		at := n - b.half + 1 + j
		if at >= len(signal) { // silence
			break
		}
		x := float64(h * signal[at])
		k := at - g.margin
		if k < 0 { // put out already
			now += x
			continue
		}
		now += float64(g.plan[k] * x)
		change += float64((g.target[k] - g.plan[k]) * x)
	}
	if now < 0 {
		now, change = -now, -change
	}
	// The plan's reading may be over by its rounding. On a grid a plan within
	// the limit may be over the aim: it need not become better.
	limit := g.limit
	if g.grid > 0 {
		limit = max(g.aim, min(g.limit, now))
	}
	switch {
	case change == 0:
		return 1
	case now+change > limit:
		return max(0, (limit-now)/change)
	case now+change < -limit:
		return max(0, (limit+now)/-change)
	}
	return 1
}
