package instrument

import (
	"fmt"
	"math"
	"math/cmplx"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/spectra"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// SweepDistortion measures what a device adds at each multiple of the frequency, over
// frequency, with one sweep. After division by the sweep, the response at the n-th harmonic is
// separate and precedes the linear one (Farina 2000; Novak, Lotton, Simon, "Synchronized
// swept-sine: theory, application, and implementation", JAES 63(10), 2015). Levels are relative
// to the fundamental, as those of [HarmonicDistortion] for one tone. Both kinds of sweep give
// levels; only the synchronised one would give phases.
//
// Harmonics that a digital device folds back at half its rate fall in frequency while the sweep
// rises. They spread over the whole response and count as noise here. The ends of the sweep's
// band are left out: levels are read from 2.8 times its first frequency to 0.96 of its last.
type SweepDistortion struct {
	Sweep  stimulus.Swept
	Orders int // the highest harmonic; the fundamental is the first; 0 means 5
}

// Stimulus is the sweep.
func (s SweepDistortion) Stimulus() stimulus.Signal { return s.Sweep }

const (
	sweepOrders = 5
	farOrder    = 13 // noise is measured between its response and that of the next order
	// A harmonic that exceeds the noise beside it by less than this is partly noise: at 10 dB,
	// noise changes a level by up to 3 dB.
	clearOfNoiseDB = 10
	// The stretch that is cut out holds this many periods, where there is room: more would
	// include more noise and more folded harmonics.
	stretchPeriods = 32
	// With fewer, the cut changes the reading (a test finds 0.2 dB with this many).
	leastPeriods = 10
	// Even at high frequencies a device may respond late by some ms.
	leastStretch = 0.02 // seconds
)

// HarmonicCurve is one harmonic as a function of the fundamental's frequency.
type HarmonicCurve struct {
	Order   int
	Hz      []float64 // of the fundamental
	DB      []float64 // the harmonic relative to the fundamental; NaN where the sweep does not show it
	NoiseDB []float64 // the reading of noise alone, or of a wire; −Inf for none
}

// Clear reports whether a point is clear of the noise.
func (h HarmonicCurve) Clear(i int) bool { return h.DB[i] >= h.NoiseDB[i]+clearOfNoiseDB }

// sweepGrid is 24 frequencies an octave from 20 Hz to 20 kHz, 1 kHz among them.
func sweepGrid() (hz []float64) {
	for i := math.Ceil(24 * math.Log2(bandLowHz/1000.0)); i <= 24*math.Log2(bandHighHz/1000.0); i++ {
		hz = append(hz, 1000*math.Exp2(i/24))
	}
	return hz
}

// Curves returns each channel's harmonics, from the second, at 24 frequencies an octave from 20
// Hz to 20 kHz.
func (s SweepDistortion) Curves(rate int, response Response) ([][]HarmonicCurve, error) {
	return s.curvesAt(sweepGrid(), rate, response)
}

// curvesAt is Curves at frequencies of the fundamental.
func (s SweepDistortion) curvesAt(hz []float64, rate int, response Response) ([][]HarmonicCurve, error) {
	if s.Orders == 0 {
		s.Orders = sweepOrders
	}
	sent, err := s.Sweep.Make(rate)
	if err != nil {
		return nil, err
	}
	// The edge of a band rings, and at the harmonics ringing would count as distortion. This
	// edge is wide, so it rings for a short time only.
	from, to := s.Sweep.Band()
	low, high := 2*math.Sqrt2*from, to*0.96
	d := newDeconvolver(sent[0], rate, rate, bandWeight(from, low, high, to))
	low, high = max(low, bandLowHz), min(high, bandHighHz)
	wire := s.orders(d.plain(), rate)
	for _, o := range wire { // the reading of a wire is the least that a device can have
		o.quiet = nil
	}
	var all [][]HarmonicCurve
	err = eachPlane(response, func(_ int, plane []float64) error {
		if err := fits(plane, sent[0], rate, rate); err != nil {
			return err
		}
		var curves []HarmonicCurve
		orders := s.orders(d.divide(plane), rate)
		for _, o := range orders[1:] {
			curve := HarmonicCurve{Order: o.n, Hz: hz}
			for _, f := range hz {
				level, noise := math.NaN(), math.Inf(-1)
				if at := float64(o.n) * f; f >= low && at <= high && orders[0].resolves(f) && o.resolves(at) {
					fundamental, _ := orders[0].power(f)
					harmonic, beside := o.power(at)
					rest, _ := wire[o.n-1].power(at)
					level, noise = dsp.PowerToDB(harmonic/fundamental), dsp.PowerToDB(max(beside/fundamental, rest))
				}
				curve.DB, curve.NoiseDB = append(curve.DB, level), append(curve.NoiseDB, noise)
			}
			curves = append(curves, curve)
		}
		markFolded(curves, float64(rate))
		all = append(all, curves)
		return nil
	})
	return all, err
}

// markFolded raises the noise where a higher order, folded back by a digital device, passes
// through a harmonic. The m-th order then has the frequency rate − m·f, and crosses the n-th
// harmonic where n·f + m·f is the rate.
func markFolded(curves []HarmonicCurve, rate float64) {
	for i, h := range curves {
		for _, higher := range curves[i+1:] {
			known := math.Inf(-1) // level of the higher order where it was last below half the rate
			for _, db := range higher.DB {
				if !math.IsNaN(db) {
					known = db
				}
			}
			at := rate / float64(h.Order+higher.Order)
			for k, f := range h.Hz {
				if math.Abs(f/at-1) < 0.1 { // beyond this, a test with random devices finds no trace
					h.NoiseDB[k] = max(h.NoiseDB[k], known)
				}
			}
		}
	}
}

// orders are the places of the harmonics, the fundamental first.
func (s SweepDistortion) orders(ir impulseResponse, rate int) (all []*sweptOrder) {
	frames := func(seconds float64) int { return int(math.Round(seconds * float64(rate))) }
	direct := ir.largest()
	// After the device's ringing there is noise alone. Since a high frequency comes late in the
	// sweep, its noise precedes the response: it is measured there, between orders that few
	// devices have.
	quiet := len(ir.h) - rate - frames(s.Sweep.HarmonicAdvance(s.Orders+2))
	places := []int{direct - frames(s.Sweep.HarmonicAdvance(farOrder))}
	if quiet > 0 {
		places = append(places, direct+rate+quiet*3/10, direct+rate+quiet*7/10)
	}
	for n := 1; n <= s.Orders; n++ {
		o := &sweptOrder{n: n, ir: ir, middle: direct - frames(s.Sweep.HarmonicAdvance(n)), cuts: map[float64]*cut{}}
		o.before, o.after = (s.Sweep.HarmonicAdvance(n+1)-s.Sweep.HarmonicAdvance(n))/2, 1
		if n > 1 {
			o.after, o.quiet = (s.Sweep.HarmonicAdvance(n)-s.Sweep.HarmonicAdvance(n-1))/2, places
		}
		all = append(all, o)
	}
	return all
}

// sweptOrder is the response at one harmonic.
type sweptOrder struct {
	n             int
	ir            impulseResponse
	middle        int     // frame of the response
	quiet         []int   // frames with noise alone
	before, after float64 // seconds of room around the middle
	cuts          map[float64]*cut
}

// stretch is how many seconds before and after the middle are cut out for a frequency. Most of
// a device's response follows its cause.
func (o *sweptOrder) stretch(hz float64) (before, after float64) {
	seconds := max(leastStretch, math.Exp2(math.Ceil(math.Log2(stretchPeriods/hz))))
	return min(0.35*seconds, o.before), min(0.65*seconds, o.after)
}

// resolves reports whether there is room for enough periods.
func (o *sweptOrder) resolves(hz float64) bool {
	before, after := o.stretch(hz)
	return (before+after)*hz >= leastPeriods
}

// cut is the spectrum of a stretch, and those of stretches of noise of the same length.
type cut struct {
	response magnitudes
	noise    []magnitudes
}

// power is the square of the response's magnitude at a frequency, and that of the noise: the
// largest of several places, since one may have none by chance.
func (o *sweptOrder) power(hz float64) (response, noise float64) {
	before, after := o.stretch(hz)
	c := o.cuts[before+after]
	if c == nil {
		c = &cut{response: o.magnitudes(o.middle, before, after)}
		for _, at := range o.quiet {
			c.noise = append(c.noise, o.magnitudes(at, before, after))
		}
		o.cuts[before+after] = c
	}
	for _, m := range c.noise {
		noise = max(noise, m.around(hz))
	}
	return c.response.near(hz), noise
}

// magnitudes are the squared magnitudes of a spectrum, and the distance of its lines.
type magnitudes struct {
	squares []float64
	stepHz  float64
}

// magnitudes transforms a stretch that is faded in and out over the outer half of each side.
func (o *sweptOrder) magnitudes(middle int, before, after float64) magnitudes {
	fs := float64(o.ir.rate)
	ahead, behind := int(before*fs), int(after*fs)
	length := 1
	for length < 2*(ahead+behind) {
		length *= 2
	}
	x := make([]float64, length)
	for i := -ahead; i < behind; i++ {
		side := float64(behind)
		if i < 0 {
			side = float64(ahead)
		}
		w := 1.0
		if edge := 2 * (1 - math.Abs(float64(i))/side); edge < 1 {
			w = 0.5 - 0.5*math.Cos(math.Pi*edge)
		}
		x[i+ahead] = w * o.ir.at(middle+i)
	}
	m := magnitudes{stepHz: fs / float64(length)}
	for _, v := range spectra.NewFFT(length).Coefficients(nil, x) {
		m.squares = append(m.squares, real(v*cmplx.Conj(v)))
	}
	return m
}

// near is the square at a frequency, interpolated linearly between two lines.
func (m magnitudes) near(hz float64) float64 {
	at := hz / m.stepHz
	i := min(int(at), len(m.squares)-2)
	return m.squares[i] + (at-float64(i))*(m.squares[i+1]-m.squares[i])
}

// around is the mean over a third of an octave: a single line of noise varies too much.
func (m magnitudes) around(hz float64) float64 {
	const sixth = 1.122462048309373 // of an octave
	from := int(hz / sixth / m.stepHz)
	to := min(int(hz*sixth/m.stepHz)+1, len(m.squares))
	sum := 0.0
	for _, v := range m.squares[min(from, to):to] {
		sum += v
	}
	return sum / float64(max(1, to-from))
}

// Analyse reads harmonicN_at_1khz_db and harmonicN_max_db, for fundamentals from 20 Hz and each
// order from the second.
func (s SweepDistortion) Analyse(rate int, response Response) (measure.Readings, error) {
	all, err := s.Curves(rate, response)
	if err != nil {
		return nil, err
	}
	var readings measure.Readings
	for c, curves := range all {
		var r measure.Readings
		for _, curve := range curves {
			curve.read(&r)
		}
		readings = append(readings, ofChannel(r, c, len(all))...)
	}
	return readings.Finite(), nil
}

// leastSweptDB is the lowest level that is stated. The rounding of 64-bit numbers gives −180 to
// −220 dB here, which depends on the processor. For the same reason levels are rounded to 0.001
// dB, which is finer than their accuracy.
const leastSweptDB = -150

// read adds the readings of one order.
func (h HarmonicCurve) read(r *measure.Readings) {
	about := measure.Reading{Unit: "dB", Reference: "the fundamental", Weighting: "none", Frame: -1, Channel: -1,
		Definition: fmt.Sprintf("exponential sweep divided out, the response at %d times the frequency (Farina 2000; Novak, Lotton, Simon, JAES 63(10) 2015)", h.Order)}
	set := func(r *measure.Reading, i int) {
		switch r.Value = math.Round(h.DB[i]*1000) / 1000; {
		case r.Value < leastSweptDB:
			r.Value, r.Reason, r.Beyond = 0, fmt.Sprintf("under %d dB, where rounding begins to count", leastSweptDB), -1
		case !h.Clear(i):
			r.Value = math.Round(h.DB[i]*10) / 10
			r.Bound = fmt.Sprintf("not clear of the noise, which reads %.0f dB there: an upper bound", h.NoiseDB[i])
		default:
			// Harmonic and noise add in amplitude. The noise is estimated from its surroundings
			// and may be twice as large at one frequency.
			r.Bound = fmt.Sprintf("±%.2g dB by the noise beside it", max(0.001, dsp.AmplitudeToDB(1+2*dsp.DBToAmplitude(h.NoiseDB[i]-h.DB[i]))))
		}
	}
	first, last, largest, middle := -1, -1, -1, -1
	for i, hz := range h.Hz {
		if math.IsNaN(h.DB[i]) {
			continue
		}
		if first < 0 {
			first = i
		}
		last = i
		// A point that is clear of the noise takes precedence over one that is not.
		if largest < 0 || h.Clear(i) && !h.Clear(largest) || h.Clear(i) == h.Clear(largest) && h.DB[i] > h.DB[largest] {
			largest = i
		}
		if math.Abs(hz-1000) < 1e-6 {
			middle = i
		}
	}
	at1k, most := about, about
	if first < 0 {
		at1k.Reason = "the sweep is too short to separate this harmonic, or its band too narrow"
		most.Reason = at1k.Reason
	} else {
		set(&most, largest)
		most.Bandwidth = fmt.Sprintf("fundamental from %s to %s", spectra.HzText(h.Hz[first]), spectra.HzText(h.Hz[last]))
		if most.Measurable() {
			most.Definition += "; found at a fundamental of " + spectra.HzText(h.Hz[largest])
		}
		if middle < 0 {
			at1k.Reason = "1 kHz, or this harmonic of it, lies outside the band that was measured"
		} else {
			set(&at1k, middle)
		}
	}
	r.Add(fmt.Sprintf("harmonic%d_at_1khz_db", h.Order), at1k)
	r.Add(fmt.Sprintf("harmonic%d_max_db", h.Order), most)
}

// addHarmonics adds columns of each channel to a table over frequency: every harmonic, where it
// is clear of the noise, and the largest noise beside any of them.
func addHarmonics(t *measure.Table, all [][]HarmonicCurve) {
	for c, curves := range all {
		column := func(name string) {
			t.Columns = append(t.Columns, ofChannel(measure.Readings{{Name: name}}, c, len(all))[0].Name)
		}
		for _, h := range curves {
			column(fmt.Sprintf("harmonic%d_db", h.Order))
		}
		column("harmonics_noise_db")
		for i := range t.Rows {
			noise := math.Inf(-1)
			for _, h := range curves {
				level := math.NaN()
				if h.Clear(i) {
					level = h.DB[i]
				}
				t.Rows[i] = append(t.Rows[i], level)
				noise = max(noise, h.NoiseDB[i])
			}
			t.Rows[i] = append(t.Rows[i], noise)
		}
	}
}
