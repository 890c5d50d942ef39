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
// frequency, by one sweep: once the sweep is divided out, the response at the n-th
// harmonic stands by itself, ahead of the linear one (Farina 2000; Novak, Lotton, Simon,
// "Synchronized swept-sine: theory, application, and implementation", JAES 63(10), 2015).
// Levels are those of a harmonic against the fundamental, as [HarmonicDistortion] has
// them for one tone. Either kind of sweep gives them; only the synchronised one would
// give their phases.
//
// What a digital device folds back at half its rate falls in frequency while the sweep
// rises: it spreads over all of the response and counts as noise here. The sweep's ends
// are left out: from 2.8 times its first frequency on.
type SweepDistortion struct {
	Sweep  stimulus.Swept
	Orders int // the highest harmonic, the fundamental being the first; 0 stands for 5
}

// Stimulus is the sweep.
func (s SweepDistortion) Stimulus() stimulus.Signal { return s.Sweep }

const (
	sweepOrders = 5
	farOrder    = 13 // between whose response and the next one noise is looked for
	// A harmonic that stands less than this over the noise beside it is noise for a
	// good part: at 10 dB, noise of the same power moves a level by up to 3 dB.
	clearOfNoiseDB = 10
	// The stretch that is cut out holds so many periods, where there is room: more let
	// in more noise, and more of what is folded back.
	stretchPeriods = 32
	// With fewer than this the cut shapes what is read (a test finds 0.2 dB kept here).
	leastPeriods = 10
	// Even at high frequencies a device may answer late by some ms.
	leastStretch = 0.02 // seconds
)

// HarmonicCurve is one harmonic over the frequency of the fundamental.
type HarmonicCurve struct {
	Order   int
	Hz      []float64 // of the fundamental
	DB      []float64 // the harmonic against the fundamental; NaN where the sweep cannot say
	NoiseDB []float64 // what noise alone, or a wire, reads there; −Inf for nothing
}

// Clear reports whether a point stands over the noise.
func (h HarmonicCurve) Clear(i int) bool { return h.DB[i] >= h.NoiseDB[i]+clearOfNoiseDB }

// sweepGrid is 24 frequencies an octave from 20 Hz to 20 kHz, 1 kHz among them.
func sweepGrid() (hz []float64) {
	for i := math.Ceil(24 * math.Log2(bandLowHz/1000.0)); i <= 24*math.Log2(bandHighHz/1000.0); i++ {
		hz = append(hz, 1000*math.Exp2(i/24))
	}
	return hz
}

// Curves returns each channel's harmonics, from the second on, at 24 frequencies an
// octave from 20 Hz to 20 kHz.
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
	// The edge of a band rings, and at the harmonics a ringing would be taken for
	// distortion: this edge is wide, and so rings for a short time only.
	from, to := s.Sweep.Band()
	low, high := 2*math.Sqrt2*from, to*0.96
	d := newDeconvolver(sent[0], rate, rate, bandWeight(from, low, high, to))
	low, high = max(low, bandLowHz), min(high, bandHighHz)
	wire := s.orders(d.plain(), rate)
	for _, o := range wire { // what is read of it, no device can be under
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

// markFolded raises the noise where a higher order that a digital device folds back
// passes through this one: it falls from the rate by its own multiple, and so crosses
// the n-th harmonic where n·f + m·f is the rate.
func markFolded(curves []HarmonicCurve, rate float64) {
	for i, h := range curves {
		for _, higher := range curves[i+1:] {
			known := math.Inf(-1) // where this order was last below half the rate
			for _, db := range higher.DB {
				if !math.IsNaN(db) {
					known = db
				}
			}
			at := rate / float64(h.Order+higher.Order)
			for k, f := range h.Hz {
				if math.Abs(f/at-1) < 0.1 { // a test of random devices finds no trace of it beyond
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
	// There is noise alone behind the device's ringing. A high frequency comes so late
	// in the sweep that its noise lies ahead: there, beside orders that few devices have.
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
	middle        int     // its frame
	quiet         []int   // frames with noise alone
	before, after float64 // seconds of room around the middle
	cuts          map[float64]*cut
}

// stretch is how many seconds ahead of the middle and after it are cut out for a
// frequency. What a device answers comes after its cause, mostly.
func (o *sweptOrder) stretch(hz float64) (before, after float64) {
	seconds := max(leastStretch, math.Exp2(math.Ceil(math.Log2(stretchPeriods/hz))))
	return min(0.35*seconds, o.before), min(0.65*seconds, o.after)
}

// resolves reports whether there is room for enough periods.
func (o *sweptOrder) resolves(hz float64) bool {
	before, after := o.stretch(hz)
	return (before+after)*hz >= leastPeriods
}

// cut is the spectrum of a stretch, and of as much noise.
type cut struct {
	response magnitudes
	noise    []magnitudes
}

// power is the square of the response's magnitude at a frequency, and what noise makes
// of it: the largest of the places, since one may happen to have none.
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

// magnitudes are the squares of a spectrum's magnitudes, and the distance of its lines.
type magnitudes struct {
	squares []float64
	stepHz  float64
}

// magnitudes transforms a stretch, let in and out over the outer half of either side.
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

// near is the square at a frequency, on a straight line between two lines.
func (m magnitudes) near(hz float64) float64 {
	at := hz / m.stepHz
	i := min(int(at), len(m.squares)-2)
	return m.squares[i] + (at-float64(i))*(m.squares[i+1]-m.squares[i])
}

// around is the mean over a third of an octave: of noise a single line says nothing.
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

// Analyse reads harmonicN_at_1khz_db and harmonicN_max_db, of a fundamental from 20 Hz
// on, for each order from the second.
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

// leastSweptDB is the lowest level that is stated. The rounding of 64-bit numbers reads
// −180 to −220 dB here, and is not the same on every processor; for its sake levels are
// rounded to 0.001 dB as well, which is finer than any of them is right.
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
			// Both add in amplitude; the noise is an estimate from its surroundings, and may
			// be twice as large at one frequency.
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
		// A point that stands clear of the noise goes before one that does not.
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

// addHarmonics adds columns of each channel to a table over frequency: every harmonic,
// where it is clear of the noise, and the noise that is largest beside any.
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
