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

// Sound that went through another rate on its way has either of two marks. A converter
// of rates that is plain leaves images of a tone f: its sums and differences with the
// other rate. A good one leaves no images, and nothing over half of the lower rate: what
// is recorded of the path before it, its noise or a sweep, ends there with an edge.
// (Crochiere and Rabiner, "Multirate Digital Signal Processing", 1983, chapter 2)
//
// Neither is certain. A converter without images whose edge is as soft as a device's own
// low-pass leaves nothing to find it by, and a device with a low-pass as steep as a
// converter's, at the same place, looks the same: the text of the finding says so.

// Rates in Hz to which sound is converted on its way. Those of edges are from the lowest,
// which the edge is nearest to; under 16 kHz the marks would not come through. Images of a
// rate's multiples are at the same places as its own further ones.
var (
	edgeRates  = []int{16000, 22050, 24000, 32000, 44100, 48000, 88200, 96000, 176400}
	imageRates = []int{44100, 48000, 32000, 22050}
)

const (
	// Images stand so much over the noise around them, and over the lines that a comb
	// would have beside them; the two of a pair differ by no more than
	// mostPairDB: those of two ways add or cancel (by cubic convolution: 18 dB). Noise
	// alone reaches 12 dB over its mean in a line with a chance of e^-16.
	leastImageDB = 12
	mostPairDB   = 20
	// An edge falls by leastEdgeDB and as steeply as leastEdgeSlope, in dB an octave. A
	// low-pass without zeros does not (twelve poles: 72); a converter of rates has three
	// times as much (tests), and an elliptic or a digital low-pass may.
	leastEdgeDB    = 10
	leastEdgeSlope = 150
	imageSeconds   = 2
	mostMultiple   = 4
	edgeSmooth     = 10 // bins to each side, over which the spectrum's median is taken
)

// combHz are the distances of lines that hum and the frames of a digital bus have: what
// has neighbours there is no image.
var combHz = []float64{50, 60, 1000}

// findResampling says where a channel looks as if it had been through another rate. The
// sound is that of the recording, which was not brought onto the stimulus's frames.
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
		// With half the pause behind it, so that windows hold its end.
		to = min(to+l.Gap/2, len(plane))
		what = edgeIn(plane[from:to], sent[l.Signal:l.SignalEnd+l.Gap/2], a.Rate, 2*low, 0.995*high)
	}
	if what == "" {
		return
	}
	a.Findings = append(a.Findings, measure.Finding{Severity: measure.Doubt, What: what,
		Do:    "look for a conversion of rates between player and recorder (the system's mixer, a file that was saved at another rate, a wireless link), play and record at one rate, and record again: noise, distortion and response here are those of the conversion too",
		Frame: -1, Channel: channel})
}

// mostFoldedHarmonic is the highest harmonic that is looked for where it folds back: from
// there on those of a clipped sine are 96 dB and more under it, as the square of their number.
const mostFoldedHarmonic = 250

// folded is where a frequency in Hz comes to lie in sound of a rate.
func folded(hz, rate float64) float64 {
	hz = math.Mod(math.Abs(hz), rate)
	return min(hz, rate-hz)
}

// imagesOf finds the images of a tone by a usual rate, and says so; "" without any.
func imagesOf(x []float64, rate int, hz, speed float64) string {
	fade := rate * stimulus.FadeMs / 1000
	if len(x) <= 4*fade {
		return ""
	}
	fs := float64(rate)
	x = x[2*fade : len(x)-2*fade]
	lines := spectra.NewLines(x[:min(len(x), imageSeconds*rate)], rate)
	tone := cmplx.Abs(lines.At(hz / speed))
	apart := 16 * lines.BinHz() // a window's lobe, and the noise beside it
	level := func(at float64) float64 { return dsp.AmplitudeToDB(cmplx.Abs(lines.At(at))) }
	// The recorder's clock moves what came before it.
	image := func(at float64) (float64, bool) {
		for n := 1; n < 40; n++ {
			if math.Abs(folded(float64(n)*hz, fs)-at) < apart {
				return 0, false // a harmonic lies there too
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
		// A waveform whose tops are cut has harmonics beyond half the rate, which fold back.
		// One that lies here has neighbours as loud; an image has none.
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
		beneath := math.Inf(-1) // the loudest of a comb's other lines
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

// edgeIn finds the edge that a lower rate leaves in a spectrum between two frequencies,
// and says so; "" without one. With what was sent it is that of the gain.
func edgeIn(x, sent []float64, rate int, lowHz, highHz float64) string {
	const length = 4096
	if len(x) < 4*length {
		return ""
	}
	window := spectra.LowLeakage(length)
	came := spectra.Empty(window, rate)
	came.Add(x, length/2)
	db := make([]float64, len(came.Sums))
	for k, v := range came.Sums {
		db[k] = dsp.PowerToDB(v / float64(came.Blocks))
	}
	if sent != nil {
		went := spectra.Empty(window, rate)
		went.Add(sent, length/2)
		for k, v := range went.Sums {
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

// middle is the median from one frequency to another.
func (c spectrumCurve) middle(from, to float64) float64 {
	part := slices.Clone(c.db[int(from/c.binHz) : int(to/c.binHz)+1])
	slices.Sort(part)
	return part[len(part)/2]
}

// edgeAt reports by how much the curve falls from under a frequency to over it, and
// whether it does as where a lower rate ends: flat before, steep, and flat behind.
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
	// From where it has fallen by 3 dB to where all but 3 dB are gone.
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

// medians are the medians of a sequence over some values to each side.
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
