package dsp

import "math"

// releaseTimes are the constants of a recovery, in ms. The hold keeps a reduction
// for as long as half a period of a low tone takes to bring its next peak, so that
// a steady tone meets a constant gain. After the hold, the reduction falls at the
// short time constant towards a slow average of itself, which has its own times to
// rise and to fall: a single peak is released quickly, sustained limiting slowly.
// Common practice, no source; TestLimiterDistortion measures that the holds
// suffice.
type releaseTimes struct{ hold, short, rise, fall float64 }

var recoveries = [...]releaseTimes{
	// 11 ms and the 2.4 ms of the window together outlast half a period of
	// 40 Hz (12.5 ms).
	MediumRecovery: {hold: 11, short: 40, rise: 200, fall: 600},
	// Half-periods down to 22 Hz, whole pitch periods down to 45 Hz.
	SlowRecovery: {hold: 20, short: 40, rise: 80, fall: 400},
	// Half-periods down to 46 Hz.
	FastRecovery: {hold: 8.5, short: 30, rise: 150, fall: 300},
}

// reductionRun is a number of frames with the same requested reduction, which is
// one minus the gain.
type reductionRun struct {
	reduction float64
	frames    int
}

// reductionEnvelope turns peaks into reductions with hold and release. Reductions rise at
// the very frame of a peak and fall on a grid of two thirds of a ms, counted
// from the first frame; levels are in log2 units (6.02 dB) over the limit.
type reductionEnvelope struct {
	limit                     float64
	grid                      int // frames
	keepShort, riseBy, fallBy float64

	attention float64 // amplitude below which peaks are ignored
	record    float64 // amplitude of the level, which peaks over it raise
	byCells   bool    // followCell sets attention itself

	left        int                  // frames to the next grid point
	cells       int                  // grid cells since reset
	largest     float64              // level of the largest peak of the current grid cell
	largestPeak float64              // the peak itself
	hold        slidingRuns[float64] // over grid cells
	idle        bool                 // nothing is held or being released
	average     float64
	level       float64
	reduction   float64
}

// The level stays constant while peaks come within 0.25 dB of it. The readings
// of one tone differ by less, as its peaks fall in different places between the
// samples: the rows of Annex 2 have ripple, 0.21 dB at 44.1 kHz for tones up to
// 5 kHz and 0.23 dB up to 20 kHz (computed from the printed table). The gain of
// a steady tone is therefore constant.
const releaseSlack = 0.25 * log2PerDB

// attentionShare is the share of the present level, in dB, that a peak must
// reach to be processed at all, unless it comes within the slack. A smaller
// peak would hardly change the level, which falls to e^(−1/4) = 0.78 at the
// lowest during a hold, because a hold lasts about a quarter of the fall's time
// constant. Under heavy limiting this saves the interpolation of most peaks.
const attentionShare = 0.75

func (e *reductionEnvelope) attentionAt(level float64) float64 {
	return e.limit * Exp2(max(0, min(attentionShare*level, level-releaseSlack)))
}

// releaseAim is the target of a release, beyond zero so that the release
// reaches zero: −0.05 dB.
const releaseAim = -0.05 * log2PerDB

func newReductionEnvelope(limit float64, recovery Recovery, rate int) reductionEnvelope {
	t := recoveries[recovery]
	grid := max(1, rate/1500)
	pace := func(ms float64) float64 { return coefficient(ms/float64(grid), rate) }
	held := (int(t.hold/1000*float64(rate)) + grid - 1) / grid
	return reductionEnvelope{
		limit: limit, grid: grid,
		keepShort: pace(t.short), riseBy: 1 - pace(t.rise), fallBy: 1 - pace(t.fall),
		hold: newSlidingRuns[float64](held+1, held+2),
	}
}

func (e *reductionEnvelope) reset() {
	e.left, e.cells, e.largest, e.largestPeak = e.grid, 0, 0, 0
	e.average, e.idle = 0, true
	e.setLevel(0)
	e.hold.reset()
}

// floor is the level, as an amplitude, that peaks of the next frames must
// exceed to be processed: the lowest that attention can become.
func (e *reductionEnvelope) floor(frames int) float64 {
	if e.level == 0 {
		return e.limit
	}
	level := e.level
	for n := e.left; n < frames+e.grid; n += e.grid {
		level = releaseAim + float64(e.keepShort*(level-releaseAim))
	}
	// The margin is for rounding, which the comparison in follow repeats.
	return max(e.limit, e.attentionAt(level)*(1-1e-9))
}

// nextAttention is the lowest that attention can become at the next point of the grid.
func (e *reductionEnvelope) nextAttention() float64 {
	if e.level == 0 {
		return e.limit
	}
	// In attentionAt the level counts once at most, and 2^−d ≥ 1 − d·ln 2.
	fall := float64((1 - e.keepShort) * (e.level - releaseAim))
	return max(e.limit, e.attention*(1-float64(math.Ln2*fall))*(1-1e-9))
}

// follow appends to runs the reductions requested by successive frames. Peaks
// smaller than floor may be missing from peaks; over states whether there is any
// peak.
func (e *reductionEnvelope) follow(peaks []float64, over bool, runs []reductionRun) []reductionRun {
	if e.idle && !over {
		e.left -= len(peaks)
		if e.left <= 0 {
			turns := -e.left/e.grid + 1
			e.left, e.cells = e.left+turns*e.grid, e.cells+turns
		}
		return appendRun(runs, 0, len(peaks))
	}
	for n := 0; n < len(peaks); {
		to := min(len(peaks), n+e.left)
		e.left -= to - n
		if over {
			for i := n; i < to; i++ {
				if peaks[i] <= e.attention {
					continue
				}
				level := Log2(peaks[i] / e.limit)
				e.idle = false
				if level > e.largest {
					e.largest, e.largestPeak = level, peaks[i]
				}
				if level > e.level {
					runs = appendRun(runs, e.reduction, i-n)
					n = i
					e.setLevel(level)
				}
			}
		}
		runs = appendRun(runs, e.reduction, to-n)
		n = to
		if e.left == 0 {
			e.release()
		}
	}
	return runs
}

// release ends a grid cell.
func (e *reductionEnvelope) release() {
	e.left = e.grid
	e.cells++
	e.hold.push(e.largest, e.cells)
	held, _ := e.hold.front(e.cells)
	e.largest, e.largestPeak = 0, 0
	if held == 0 && e.level == 0 && e.average == 0 {
		e.idle = true
		return
	}
	if held > 0 && held >= e.level-releaseSlack {
		held = e.level
	}
	target := held
	if held == 0 {
		target = releaseAim
	}
	pace := e.fallBy
	if target > e.average {
		pace = e.riseBy
	}
	e.average = max(0, e.average+float64(pace*(target-e.average)))
	floor := max(held, e.average)
	aim := floor
	if floor == 0 {
		aim = releaseAim
	}
	if next := max(floor, aim+float64(e.keepShort*(e.level-aim))); next != e.level {
		e.setLevel(next)
	}
}

func (e *reductionEnvelope) setLevel(level float64) {
	e.level = level
	if e.byCells {
		e.reduction = forecastReduction(level)
		return
	}
	e.reduction = 1 - Exp2(-level)
	e.attention = e.attentionAt(level)
	e.record = e.limit / (1 - e.reduction)
}

func appendRun(runs []reductionRun, reduction float64, frames int) []reductionRun {
	if frames == 0 {
		return runs
	}
	if last := len(runs) - 1; last >= 0 && runs[last].reduction == reduction {
		runs[last].frames += frames
		return runs
	}
	return append(runs, reductionRun{reduction, frames})
}

// slidingRuns is the maximum of the last width values of a sequence that
// changes seldom: a queue of the values that may yet become the maximum, in
// falling order, each with the position at which it last occurred.
type slidingRuns[T float64 | int64] struct {
	width      int
	queue      []slidingRun[T] // ring
	head, size int
}

type slidingRun[T float64 | int64] struct {
	value T
	last  int
}

// newSlidingRuns allocates a queue for this many waiting values.
func newSlidingRuns[T float64 | int64](width, waiting int) slidingRuns[T] {
	ring := 1
	for ring < waiting {
		ring *= 2
	}
	return slidingRuns[T]{width: width, queue: make([]slidingRun[T], ring)}
}

func (s *slidingRuns[T]) reset() { s.head, s.size = 0, 0 }

// push enters a value for the positions after the last push up to position
// last.
func (s *slidingRuns[T]) push(value T, last int) {
	s.dropTo(value)
	s.append(value, last)
}

// dropTo drops the values that can no longer become the maximum after value.
func (s *slidingRuns[T]) dropTo(value T) {
	for s.size > 0 && s.back(0).value <= value {
		s.size--
	}
}

func (s *slidingRuns[T]) append(value T, last int) {
	s.size++
	*s.back(0) = slidingRun[T]{value, last}
}

// back is the n-th value from the end of the queue.
func (s *slidingRuns[T]) back(n int) *slidingRun[T] {
	return &s.queue[(s.head+s.size-1-n)&(len(s.queue)-1)]
}

// front is the maximum at a position of the last push, and the last position
// for which it holds if nothing larger follows. Positions may not decrease.
func (s *slidingRuns[T]) front(at int) (value T, until int) {
	mask := len(s.queue) - 1
	for {
		f := &s.queue[s.head]
		if until = f.last + s.width - 1; until >= at {
			return f.value, until
		}
		s.head = (s.head + 1) & mask
		s.size--
	}
}
