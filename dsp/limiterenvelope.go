package dsp

// limiterEnvelope turns the reductions that frames need into gains. All but
// the last step runs once a group of frames.
type limiterEnvelope struct {
	limiterTimes
	releaseTimes
	hold, ahead slidingMax
	weights     []float64 // of the smoothing window, sum 1
	held        []float64 // the last window values of ahead, twice in a row
	at          int

	filled  int     // frames in the running group
	largest float64 // reduction in it

	slow, value float64 // the release's two states
	last        float64 // the newest value of ahead …
	repeats     int     // … and how often in a row it came
	knot        float64 // gain at the end of the last group that has one

	gains []float64 // frame by frame, ready to be used
	ready int
	unity bool // all that is ready is 1
	idle  bool // every state is 0
}

// releaseTimes are coefficients a group.
type releaseTimes struct{ charge, discharge, fast float64 }

// releaseConstants are a style's times in ms: hold, charge and discharge of the
// slow state, release of a short peak. A hold keeps the gain constant on tones
// whose half-period it covers, so that they are not distorted; 10 ms covers
// 50 Hz. (common practice, no source; figures in the limiter's tests.)
var releaseConstants = map[ReleaseStyle][4]float64{
	Balanced: {10, 200, 600, 40},
	Clean:    {20, 80, 400, 40},
	Loud:     {8.5, 150, 300, 30},
}

func newLimiterEnvelope(t limiterTimes, style ReleaseStyle, rate int) *limiterEnvelope {
	ms := releaseConstants[style]
	groups := float64(t.group)
	e := &limiterEnvelope{
		limiterTimes: t,
		releaseTimes: releaseTimes{coefficient(ms[1]/groups, rate), coefficient(ms[2]/groups, rate), coefficient(ms[3]/groups, rate)},
		hold:         newSlidingMax(max(1, Frames(ms[0], rate)/t.group)),
		ahead:        newSlidingMax(t.window + 1),
		weights:      hann(t.window),
		held:         make([]float64, 2*t.window),
		gains:        make([]float64, t.slack+2*t.group+cell),
	}
	e.reset()
	return e
}

// hann is a Hann window without its zeros, of sum 1.
func hann(length int) []float64 {
	w := make([]float64, length)
	sum := 0.0
	for j := range w {
		sin, _ := sincosPi(float64(j+1) / float64(length+1))
		w[j] = sin * sin
		sum += w[j]
	}
	for j := range w {
		w[j] /= sum
	}
	return w
}

func (e *limiterEnvelope) reset() {
	e.hold.reset()
	e.ahead.reset()
	clear(e.held)
	e.at, e.filled, e.largest, e.slow, e.value = 0, 0, 0, 0, 0
	e.last, e.repeats, e.knot = 0, e.window, 1
	e.rest()
}

// rest makes everything ready a 1: so many that the gains that follow fall to
// the frames they belong to.
func (e *limiterEnvelope) rest() {
	e.idle, e.unity = true, true
	e.ready = e.slack + e.group - 1 - e.filled
	for i := range e.gains[:e.ready] {
		e.gains[i] = 1
	}
}

// run takes the reductions of a cell's frames, if any is needed, and makes the
// gains for as many frames of output ready.
func (e *limiterEnvelope) run(need []float64, needed bool) {
	if e.idle {
		if !needed {
			e.filled = (e.filled + len(need)) % e.group
			e.unity = true
			return
		}
		e.rest() // the frames since were not written down
		e.idle = false
	}
	if !needed {
		clear(need)
	}
	for len(need) > 0 {
		n := min(len(need), e.group-e.filled)
		for _, r := range need[:n] {
			if r > e.largest {
				e.largest = r
			}
		}
		need = need[n:]
		if e.filled += n; e.filled == e.group {
			e.push(e.largest)
			e.filled, e.largest = 0, 0
		}
	}
	e.unity = false
}

// push takes a group's reduction and makes a group's gains ready.
func (e *limiterEnvelope) push(reduction float64) {
	if reduction < noReduction {
		reduction = 0
	}
	one := [1]float64{reduction}
	e.hold.process(one[:])
	one[0] = e.release(one[0])
	e.ahead.process(one[:])
	from, to := e.knot, 1-e.smooth(one[0])
	e.knot = to
	step := (to - from) / float64(e.group)
	for i := range e.group {
		e.gains[e.ready+i] = from + float64(step*float64(i))
	}
	e.ready += e.group
}

// noReduction is the reduction below which there is none: 9e-7 dB, far within
// ceilingMarginDB.
const noReduction = 1e-7

// release lets the reduction go: from a short peak with the fast time, down to
// what the slow state has gathered, and from there with its own.
func (e *limiterEnvelope) release(held float64) float64 {
	k := e.discharge
	if held > e.slow {
		k = e.charge
	}
	e.slow = held + float64(k*(e.slow-held))
	floor := max(held, e.slow)
	e.value = max(floor, floor+float64(e.fast*(e.value-floor)))
	if e.value < noReduction {
		e.value, e.slow = 0, 0
	}
	return e.value
}

// smooth is the weighted mean of the last window values.
func (e *limiterEnvelope) smooth(value float64) float64 {
	e.held[e.at], e.held[e.at+e.window] = value, value
	if e.at++; e.at == e.window {
		e.at = 0
	}
	if value == e.last {
		e.repeats++
		if e.repeats >= e.window {
			return value // the mean of equals, without rounding
		}
	} else {
		e.last, e.repeats = value, 1
	}
	return dot(e.weights, e.held[e.at:e.at+e.window])
}

// trace stores the gains that the next frames of output get.
func (e *limiterEnvelope) trace(gain []float64) {
	copy(gain, e.gains)
	if e.unity {
		for i := range gain {
			gain[i] = 1
		}
	}
}

// advance moves on after n frames of output.
func (e *limiterEnvelope) advance(n int) {
	if e.idle {
		return
	}
	copy(e.gains, e.gains[n:e.ready])
	e.ready -= n
	// Idle: nothing reduced, nothing held, and nothing left in the windows.
	if e.value == 0 && e.largest == 0 && e.last == 0 && e.repeats >= e.window+4 && e.knot == 1 {
		e.hold.reset()
		e.ahead.reset()
		e.rest()
	}
}

// dot is the sum of products, in four running sums whose order is fixed.
func dot(a, b []float64) float64 {
	b = b[:len(a)]
	var s0, s1, s2, s3 float64
	j := 0
	for ; j+4 <= len(a); j += 4 {
		x, y := a[j:j+4:j+4], b[j:j+4:j+4]
		s0 += float64(x[0] * y[0])
		s1 += float64(x[1] * y[1])
		s2 += float64(x[2] * y[2])
		s3 += float64(x[3] * y[3])
	}
	for ; j < len(a); j++ {
		s0 += float64(a[j] * b[j])
	}
	return (s0 + s1) + (s2 + s3)
}
