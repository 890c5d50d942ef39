package instrument

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/spectra"
	"github.com/boothbench/boothbench/measure/internal/timemap"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// Sound that was converted to another rate on its way shows it in one of two ways. A poor
// converter leaves images of a tone: the sums and differences of its frequency and the other
// rate. A good one leaves no images, and nothing above half of the lower rate: the recorded
// noise or sweep from before the conversion ends there with an edge. (Crochiere and Rabiner,
// "Multirate Digital Signal Processing", 1983, chapter 2)
//
// Neither is certain. A converter without images whose edge is as soft as a device's own
// low-pass cannot be found. A device whose low-pass is as steep as a converter's, at the same
// place, looks the same: the text of the finding says so.

// Rates in Hz to which sound is converted on its way. Edges are searched from the lowest rate
// up, since that is the nearest to the edge. Below 16 kHz the marks would not get through.
// Images by a multiple of a rate are among the rate's own.
var (
	edgeRates  = []int{16000, 22050, 24000, 32000, 44100, 48000, 88200, 96000, 176400}
	imageRates = []int{44100, 48000, 32000, 22050}
)

const (
	// An image exceeds the noise around it by leastImageDB, and the lines of a comb beside it
	// by half as much. The two images of a pair differ by no more than mostPairDB: those of two
	// conversions add or cancel (with cubic interpolation by 18 dB). Noise alone exceeds its
	// mean in a line by 12 dB with a probability of e^-16.
	leastImageDB = 12
	mostPairDB   = 20
	// An edge falls by leastEdgeDB and at leastEdgeSlope, in dB an octave. A low-pass without
	// zeros is less steep (twelve poles: 72). A rate converter is three times as steep (tests);
	// an elliptic or a digital low-pass may be as steep.
	leastEdgeDB    = 10
	leastEdgeSlope = 150
	imageSeconds   = 2
	mostMultiple   = 4
	edgeSmooth     = 10 // bins on each side, for the median of the spectrum
)

// combHz are the spacings of the lines of hum and of a digital bus's frames: a line with such
// neighbours is no image.
var combHz = []float64{50, 60, 1000}

// findResampling reports a channel that looks as if it had been converted to another rate. The
// sound is the recording's, before it is resampled to the stimulus's frames.
func (a *Alignment) findResampling(s stimulus.Signal, sent, plane []float64, m timemap.Map, l stimulus.Layout, channel, channels int) {
	from, to := max(0, int(m.At(l.Signal))), min(len(plane), int(m.At(l.SignalEnd)))
	if to-from < a.Rate/2 {
		return
	}
	x, what := plane[from:to], ""
	switch s := s.(type) {
	case stimulus.Tone:
		if s.Only > 0 && channels > 1 && channel != s.Only-1 {
			return
		}
		what = imagesOf(x, a.Rate, s.Hz, m.Speed)
		if what == "" {
			what = edgeIn(x, nil, a.Rate, 0, float64(a.Rate)/2)
		}
	case stimulus.Silence, stimulus.TwinTone:
		what = edgeIn(x, nil, a.Rate, 0, float64(a.Rate)/2)
	case stimulus.Swept:
		low, high := s.Band()
		// The first half of the pause is included, so that windows hold the sweep's end.
		to = min(to+l.Gap/2, len(plane))
		what = edgeIn(plane[from:to], sent[l.Signal:l.SignalEnd+l.Gap/2], a.Rate, 2*low, 0.995*high)
	}
	if what == "" {
		return
	}
	a.Findings = append(a.Findings, measure.Finding{Severity: measure.Warning, What: what,
		Do:    "look for a conversion of rates between player and recorder (the system's mixer, a file that was saved at another rate, a wireless link), play and record at one rate, and record again: noise, distortion and response here are those of the conversion too",
		Frame: -1, Channel: channel})
}

// mostFoldedHarmonic is the highest harmonic whose folded frequency is examined. The amplitudes
// of a clipped sine's harmonics fall with the square of their number: those from here on are 96
// dB or more below it.
const mostFoldedHarmonic = 250

// folded is the frequency in Hz at which a frequency appears in sound of a rate.
func folded(hz, rate float64) float64 {
	hz = math.Mod(math.Abs(hz), rate)
	return min(hz, rate-hz)
}

// imagesOf describes the images of a tone by a common rate; "" if there are none.
func imagesOf(x []float64, rate int, hz, speed float64) string {
	fade := rate * stimulus.FadeMs / 1000
	if len(x) <= 4*fade {
		return ""
	}
	fs := float64(rate)
	x = x[2*fade : len(x)-2*fade]
	lines := spectra.NewLines(x[:min(len(x), imageSeconds*rate)], rate)
	tone := cmplx.Abs(lines.At(hz / speed))
	apart := 16 * lines.BinHz() // the lobe of the window, and the noise beside it
	level := func(at float64) float64 { return dsp.AmplitudeToDB(cmplx.Abs(lines.At(at))) }
	// The recorder's clock shifts all sound from before it.
	image := func(at float64) (float64, bool) {
		for n := 1; n < 40; n++ {
			if math.Abs(folded(float64(n)*hz, fs)-at) < apart {
				return 0, false // a harmonic has this frequency too
			}
		}
		if at < apart || at > fs/2-apart {
			return 0, false
		}
		db := max(level(at), level(at/speed))
		under := dsp.PowerToDB(lines.NoiseAround(at))
		if db < under+leastImageDB {
			return db, false
		}
		// A clipped waveform has harmonics beyond half the rate, which fold back. A folded
		// harmonic has neighbours as loud as itself; an image has none.
		for n := 40; n < mostFoldedHarmonic; n++ {
			if math.Abs(folded(float64(n)*hz, fs)-at) >= apart {
				continue
			}
			neighbours := 0
			for _, beside := range []int{n - 4, n - 3, n - 2, n - 1, n + 1, n + 2, n + 3, n + 4} {
				if near := folded(float64(beside)*hz, fs); near > apart && near < fs/2-apart && level(near) >= db-leastImageDB/2 {
					neighbours++
				}
			}
			if neighbours >= 2 {
				return db, false
			}
		}
		beneath := math.Inf(-1) // the loudest of the comb's other lines
		for _, by := range combHz {
			for _, beside := range []float64{at - by, at + by} {
				if beside > 0 && beside < fs/2 && math.Abs(beside-folded(hz, fs)) > apart {
					beneath = max(beneath, level(beside))
				}
			}
		}
		return db, db >= beneath+leastImageDB/2
	}
	best := math.Inf(-1)
	var pair [2]float64
	from := 0
	for _, other := range imageRates {
		for k := 1.0; k <= mostMultiple; k++ {
			one, two := folded(k*float64(other)-hz, fs), folded(k*float64(other)+hz, fs)
			if other == rate || math.Abs(one-two) < apart || math.Abs(folded(one, fs)-folded(hz, fs)) < apart {
				continue
			}
			a, isA := image(one)
			b, isB := image(two)
			if isA && isB && math.Abs(a-b) <= mostPairDB && max(a, b) > best+0.1 {
				best, pair, from = max(a, b), [2]float64{min(one, two), max(one, two)}, other
			}
		}
	}
	if from == 0 {
		return ""
	}
	return fmt.Sprintf("beside the tone are lines at %.0f and %.0f Hz, %.0f dB under it, where a conversion between %d and %d Hz leaves images: as if the sound had been resampled to %[5]d Hz and back",
		pair[0], pair[1], dsp.AmplitudeToDB(tone)-best, rate, from)
}

// edgeIn describes the edge that a lower rate leaves in a spectrum between two frequencies; ""
// if there is none. If sent is given, the edge is searched in the gain.
func edgeIn(x, sent []float64, rate int, lowHz, highHz float64) string {
	const length = 4096
	if len(x) < 4*length {
		return ""
	}
	window := spectra.LowLeakage(length)
	came := spectra.Empty(window, rate)
	came.Add(x, length/2)
	db := make([]float64, len(came.Sums()))
	for k, v := range came.Sums() {
		db[k] = dsp.PowerToDB(v / float64(came.Blocks))
	}
	if sent != nil {
		went := spectra.Empty(window, rate)
		went.Add(sent, length/2)
		for k, v := range went.Sums() {
			db[k] -= dsp.PowerToDB(v / float64(went.Blocks))
		}
	}
	c := spectrumCurve{db: medians(db, edgeSmooth), binHz: came.BinHz}
	for _, other := range edgeRates {
		nyquist := float64(other) / 2
		if other >= rate || 0.7*nyquist < lowHz || 1.06*nyquist > highHz {
			continue
		}
		if fall, is := c.edgeAt(nyquist, min(1.15*nyquist, highHz)); is {
			what := "the noise of the recording"
			if sent != nil {
				what = "the response"
			}
			return fmt.Sprintf("%s falls by %.0f dB next to %s, half of %d Hz: as if the sound had been resampled to that rate and back, unless the device has so steep a low-pass of its own", what, fall, spectra.HzText(nyquist), other)
		}
	}
	return ""
}

// spectrumCurve is a smoothed spectrum in dB.
type spectrumCurve struct {
	db    []float64
	binHz float64
}

// middle is the median between two frequencies.
func (c spectrumCurve) middle(from, to float64) float64 {
	part := slices.Clone(c.db[int(from/c.binHz) : int(to/c.binHz)+1])
	slices.Sort(part)
	return part[len(part)/2]
}

// edgeAt reports by how much the curve falls at a frequency, and whether it does so as at half
// of a lower rate: flat before, steep, and flat after it.
func (c spectrumCurve) edgeAt(nyquist, end float64) (fall float64, is bool) {
	const begin, flat, edge, behind = 0.70, 0.85, 0.87, 1.03
	below, above := c.middle(begin*nyquist, flat*nyquist), c.middle(behind*nyquist, end)
	half, beyond := (begin+flat)/2*nyquist, (behind*nyquist+end)/2
	fall = below - above
	if !(fall >= leastEdgeDB) || math.IsInf(fall, 0) ||
		math.Abs(c.middle(begin*nyquist, half)-c.middle(half, flat*nyquist)) > 2 ||
		c.middle(behind*nyquist, beyond)-c.middle(beyond, end) > 2+0.3*fall {
		return fall, false
	}
	// From a fall of 3 dB to 3 dB above the bottom.
	first, last := 0.0, 0.0
	for k := int(flat * nyquist / c.binHz); k <= int(behind*nyquist/c.binHz); k++ {
		hz := float64(k) * c.binHz
		if first == 0 && c.db[k] < below-3 {
			first = hz
		}
		if last == 0 && c.db[k] < above+3 {
			last = hz
		}
	}
	if last == 0 || first < edge*nyquist || first > 1.005*nyquist {
		return fall, false
	}
	return fall, fall-6 >= leastEdgeSlope*math.Log2(max(last, first+c.binHz)/first)
}

// medians is a running median over some values on each side.
func medians(x []float64, side int) []float64 {
	out := make([]float64, len(x))
	part := make([]float64, 0, 2*side+1)
	for n := range x {
		part = append(part[:0], x[max(0, n-side):min(len(x), n+side+1)]...)
		slices.Sort(part)
		out[n] = part[len(part)/2]
	}
	return out
}
