package take

import (
	"fmt"
	"math"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/spectra"
)

// Hum is searched for at 50 and 60 Hz and nine harmonics. A line counts if it is 9 dB
// above its surroundings. Hum is three such lines, two of which one is 15 dB above its
// surroundings, or the first or the second harmonic alone if that is: a rectifier gives no
// fundamental. One higher line alone may be a tone of another source. (common practice, no
// source)
const (
	humHarmonics = 10
	// The mains stay within 1 % for 99.5 % of a year (EN 50160:2010, 4.2.1, from memory).
	humTolerance  = 0.01
	humHighestHz  = (humHarmonics + 0.5) * 60 * (1 + humTolerance)
	humSearchHz   = 0.01 // step of the search, a fifth of the width of the tenth harmonic in 2 s
	humStepHz     = 0.1  // twice the least uncertainty that is stated
	humNeedLines  = 3
	railwayHz     = 50.0 / 3 // of railways in central and northern Europe (EN 50163, from memory)
	railwayMostHz = 3        // width of a line from which on lines so close are not told apart
	humLeastPiece = 0.25     // s
	humLeastDBFS  = -140     // what is lower is the rounding of 24 bits
	// Hum that is less than 3 dB above the noise of the third octaves around its lines, and
	// none of whose lines is 6 dB above that of its own, is not audible as hum: it is a
	// reading, and no finding. A third octave is 0.232 of its centre frequency wide.
	humLeastOverDB = 3
	humLineOverDB  = 6
	thirdOctave    = 0.2316
)

// mains is the mains hum in the pauses, or the reason why there is none.
func (n *noiseSpectrum) mains() (hum, string) {
	if n.mainsHum.reason == "" && !n.mainsHum.found {
		n.mainsHum.hum, n.mainsHum.reason = n.findMains()
	}
	return n.mainsHum.hum, n.mainsHum.reason
}

func (n *noiseSpectrum) findMains() (best hum, reason string) {
	if err := n.long.read(n.rate); err != nil {
		return best, err.Error()
	}
	if len(n.long.lines) == 0 {
		return best, fmt.Sprintf("no pause longer than %g ms", humLeastPiece*1000)
	}
	n.powers = spectra.LinePowersOf(n.long.lines, humHighestHz)
	var lone, other hum
	for _, mains := range []float64{50, 60} {
		h := n.series(mains, n.mainsHz(mains))
		switch {
		case h.found && (!best.found || h.power > best.power):
			best, other = h, best
		case h.found:
			other = h
		}
		if h.lone && h.power > lone.power {
			lone = h
		}
	}
	if h := n.railway(); h.found && (!best.found || best.nominal == 50) {
		best = h
	} else if h.found && other.nominal == 50 {
		other = h
	}
	if other = other.without(best); other.found {
		best.other = &other
	}
	switch {
	case !best.found && lone.lone:
		hz := lone.lines[0].Hz
		return best, fmt.Sprintf("one steady line, at %.1f Hz, which may be %.0f times the mains frequency or a tone of another source", hz, math.Round(hz/lone.hz))
	case !best.found:
		return best, "no line of the mains is above the noise of the pauses"
	}
	return best, ""
}

// mainsHz is the fundamental near a nominal one whose harmonics exceed the noise around
// them the most: the sum of their logarithms, so that no single line decides, as a tone of
// another source may be one.
func (n *noiseSpectrum) mainsHz(nominal float64) float64 {
	var around []float64
	for k := 1.0; k <= n.harmonics(nominal); k++ {
		around = append(around, n.around(k*nominal, nominal))
	}
	centre, most := nominal, 0.0
	for hz := nominal * (1 - humTolerance); hz <= nominal*(1+humTolerance); hz += humSearchHz {
		sum := 0.0
		for k, noise := range around {
			if over := n.powers.At(float64(k+1)*hz) / noise; over > 1 {
				sum += math.Log(over)
			}
		}
		if sum > most {
			centre, most = hz, sum
		}
	}
	return centre
}

// harmonics is how many harmonics of a mains frequency the rate holds: ten at most, and of a
// railway's as many up to the same frequency.
func (n *noiseSpectrum) harmonics(hz float64) float64 {
	most := humHarmonics * max(1, math.Round(50/hz))
	return min(most, math.Ceil(float64(n.rate)/2/(1.02*hz))-1)
}

// railway is the series of a railway's frequency, each third line of which is one of 50 Hz: it
// is found by four of the others, two of them strong and a tenth of its power together, since
// among thirty places chance finds a weak line or two.
func (n *noiseSpectrum) railway() (h hum) {
	if n.powers.LineHz > railwayMostHz {
		return h
	}
	h = n.series(railwayHz, n.mainsHz(railwayHz))
	own, strong, power := h.own(hum{hz: 3 * h.hz, nominal: 50})
	h.found = h.found && strong >= humNeedLines-1 && own > humNeedLines && power >= h.power/10
	return h
}

// without is a series found by lines that are none of another series.
func (h hum) without(other hum) hum {
	if own, strong, _ := h.own(other); other.hz > 0 {
		h.found = h.found && (own >= humNeedLines || own == humNeedLines-1 && strong > 0)
	}
	return h
}

// own are the lines that are none of another series, how many of them are strong, and their
// power.
func (h hum) own(other hum) (count, strong int, power float64) {
	for _, l := range h.lines {
		if k := max(1, math.Round(l.Hz/other.hz)); math.Abs(l.Hz-k*other.hz) > k*other.nominal*humTolerance {
			count++
			power += dsp.DBToPower(l.DBFS)
			if l.OverDB >= spectra.HumStrongDB {
				strong++
			}
		}
	}
	return count, strong, power
}

// mostHum is the power that hum which was not found has at most: of each series the
// largest lines that lie where its harmonics may, each as large as one that the noise
// weakens by twice its own amplitude there.
func (n *noiseSpectrum) mostHum() (power float64) {
	for _, mains := range []float64{50, 60} {
		sum := 0.0
		for k := 1.0; k <= n.harmonics(mains); k++ {
			sum += n.mostLine(k*mains*(1-humTolerance), k*mains*(1+humTolerance), n.around(k*mains, mains))
		}
		power = max(power, sum)
	}
	return power
}

// mostLine is the power that a line between two frequencies has at most in noise.
func (n *noiseSpectrum) mostLine(from, to, noise float64) float64 {
	amplitude := math.Sqrt(n.powers.Most(from, to)) + 2*math.Sqrt(noise)
	return cellLoss * amplitude * amplitude
}

// cellLoss is 0.1 dB: what a line between two cells may be read too low by.
const cellLoss = 1.024

// around is the power that a line at a frequency would be read as if noise alone were
// there: the median on each side of it towards its neighbours of a series, so that other
// lines there do not count, and between the two sides their geometric mean.
func (n *noiseSpectrum) around(f, hz float64) float64 {
	product := 1.0
	for _, side := range []float64{-1, 1} {
		var all []float64
		for d := 0.3; d <= 0.5; d += 0.01 {
			all = append(all, n.powers.At(f+side*d*hz))
		}
		slices.Sort(all)
		product *= all[len(all)/2] + 1e-30
	}
	// The median of a chi-square law under its mean (Wilson and Hilferty, "The distribution
	// of chi-square", PNAS 17, 1931).
	return math.Sqrt(product) / math.Pow(1-1/(9*n.powers.Degrees), 3)
}

// wander is how far the level of a hum in dB, and the frequency of its largest line in Hz,
// lie from their means in the single pauses: standard deviations, by the lengths of the
// pauses. Noise at the lines counts, too. false: there is one pause.
func (n *noiseSpectrum) wander(h hum) (db, hz float64, ok bool) {
	largest := h.lines[0]
	for _, l := range h.lines {
		if l.DBFS > largest.DBFS {
			largest = l
		}
	}
	var levels, places, weights []float64
	for _, piece := range n.long.lines {
		power := 0.0
		for _, l := range h.lines {
			power += piece.At(l.Hz) * piece.At(l.Hz) / 2
		}
		best, at := 0.0, largest.Hz
		for d := -0.3; d < 0.325; d += humStepHz / 2 {
			f := largest.Hz * (1 + d/h.hz)
			if a := piece.At(f); a > best {
				best, at = a, f
			}
		}
		levels, places = append(levels, dsp.PowerToDB(max(1e-20, power))), append(places, at/largest.Hz*h.hz)
		weights = append(weights, float64(piece.Frames))
	}
	return deviation(levels, weights), deviation(places, weights), len(weights) > 1
}

// deviation is the standard deviation of values with weights.
func deviation(values, weights []float64) float64 {
	sum, mean, squares := 0.0, 0.0, 0.0
	for k, w := range weights {
		sum, mean = sum+w, mean+w*values[k]
	}
	mean /= sum
	for k, w := range weights {
		squares += w * (values[k] - mean) * (values[k] - mean)
	}
	return math.Sqrt(squares / sum)
}

func (n *noiseSpectrum) reportHum(r *report, floor float64) {
	best, reason := n.mains()
	if reason != "" {
		r.cannot("hum_hz", "Hz", reason)
		level := measure.Reading{Unit: "dBFS", Reason: reason}
		if len(n.long.lines) > 0 {
			most := dsp.PowerToDB(max(1e-20, n.mostHum()))
			level.Reason, level.AtMost = fmt.Sprintf("%s, where hum is %.1f dBFS-rms at most", reason, most), &most
		}
		r.add("hum_level_dbfs", level)
		return
	}
	leastHz := max(humStepHz/2, best.uncertainHz)
	ofHz, ofLevel := fmt.Sprintf("±%.2f Hz", leastHz), fmt.Sprintf("±%.1f dB by the noise at its lines and by lines that it hides", best.overDB)
	if db, hz, ok := n.wander(best); ok {
		ofHz = fmt.Sprintf("±%.2f Hz from pause to pause", max(leastHz, hz))
		ofLevel = fmt.Sprintf("±%.1f dB: %.1f dB from pause to pause, %.1f dB by the noise at its lines and by lines that it hides", max(db, best.overDB), db, best.overDB)
	}
	r.in.Hum = best.lines
	if other := best.other; other != nil {
		r.in.Hum = append(slices.Clone(best.lines), other.lines...)
		r.find(measure.Note, -1, -1, fmt.Sprintf("hum of %.1f Hz as well, at %.1f dBFS-rms in the pauses, %s: two supplies of different frequencies", other.hz, dsp.PowerToDB(other.power), other.family()), "find what runs from each of them")
	}
	level := dsp.PowerToDB(best.power)
	named, family := fmt.Sprintf("hum of %.1f Hz", best.hz), best.family()
	if best.isOfBoth() {
		named, family = "hum of 50 or 60 Hz", "whose lines belong to both"
		r.cannot("hum_hz", "Hz", fmt.Sprintf("all lines found belong to 50 as to 60 Hz, the lowest at %.1f Hz", best.lines[0].Hz))
	} else {
		r.add("hum_hz", measure.Reading{Value: best.hz, Unit: "Hz", Definition: "fundamental of the mains series found in the pauses", Bound: ofHz})
	}
	r.add("hum_level_dbfs", measure.Reading{Value: level, Unit: "dBFS", Reference: "mathematical rms against digital full scale", Definition: fmt.Sprintf("power of the lines that stand out, of %d harmonics, in the pauses", humHarmonics), Bound: ofLevel})
	if !best.audible && best.power < dsp.DBToPower(humLeastOverDB)*best.around {
		return
	}
	severity := measure.Note
	if level > floor-10 {
		severity = measure.Warning
	}
	r.find(severity, -1, -1, fmt.Sprintf("%s at %.1f dBFS-rms in the pauses, %s", named, level, family), "find the ground loop or the transformer; a high-pass takes the fundamental only")
}

// HumLine is a line of the mains series.
type HumLine struct {
	Hz, DBFS float64
	OverDB   float64 // over the noise around it, in the bandwidth of the measurement
}

type hum struct {
	found            bool
	lone             bool // one line alone, which is not hum for certain
	nominal          float64
	hz, power        float64
	uncertainHz      float64
	overDB           float64 // how far the power may be off by the noise at its lines and by lines that the noise hides
	around           float64 // noise of the third octaves around its lines
	audible          bool    // one of its lines stands out of its own
	lines            []HumLine
	other            *hum    // a weaker series beside it; nil: none
	first, odd, even float64 // powers of the fundamental and of its harmonics
}

// family is what the harmonics are, and their cause.
func (h hum) family() string {
	fundamental := ""
	if h.first > max(h.odd, h.even)/4 {
		fundamental = "the fundamental and "
	}
	switch {
	case h.nominal == railwayHz:
		return fmt.Sprintf("%d lines: a railway's supply", len(h.lines))
	case len(h.lines) == 1 && h.first > 0:
		return "the fundamental alone"
	case h.odd > 4*h.even:
		return fundamental + "odd harmonics: stray magnetic fields (common practice, no source)"
	case h.even > 4*h.odd:
		return fundamental + "even harmonics: a rectifier (common practice, no source)"
	}
	return fundamental + "even and odd harmonics"
}

// isOfBoth reports that each line is a harmonic of the other mains frequency as well.
func (h hum) isOfBoth() bool {
	if h.nominal == railwayHz {
		return false
	}
	other := 110 - h.nominal
	for _, l := range h.lines {
		if k := max(1, math.Round(l.Hz/other)); math.Abs(l.Hz-k*other) > k*other*humTolerance {
			return false
		}
	}
	return true
}

// series measures the lines of a fundamental near a nominal one.
func (n *noiseSpectrum) series(nominal, hz float64) hum {
	h := hum{hz: hz, nominal: nominal}
	strongest, information, places, hidden, variance := 0, 0.0, 0.0, 0.0, 0.0
	bin := n.powers.LineHz / 1.5
	for k := 1; k <= int(n.harmonics(nominal)); k++ {
		f := float64(k) * hz
		background := n.around(f, hz)
		near := max(n.powers.CellHz, 3*float64(k)*humSearchHz, bin/2)
		at, peak := n.powers.Peak(f-near, f+near)
		over := dsp.PowerToDB(peak / background)
		if over < spectra.HumLineDB || peak < n.powers.Most(f-2*bin, f+2*bin)/2 { // the flank of another line
			excess := max(0, peak-background)
			hidden += excess
			variance += background / n.powers.Degrees * (2*excess + background)
			continue
		}
		power := max(1e-20, peak-background)
		// The power of a line in noise varies by that of the noise and by its product with the
		// line; that of noise in a wider band, by fewer than all of its bins.
		noise := background / n.powers.Degrees
		deviation := math.Sqrt(noise * (2*power + background))
		// Of hum that swells or wanders a part lies beside the line.
		reach := min(0.2*hz, 2*n.widest()+1)
		wide := n.powers.Between(f-reach, f+reach) - background*2*reach/n.powers.LineHz
		if bands := 2 * reach / n.powers.LineHz; wide-power > 3*math.Sqrt(noise*(2*power+bands*background)) {
			power = wide
			deviation += math.Sqrt(noise * bands * background)
		}
		variance += deviation * deviation
		weight := float64(k*k) * peak / background
		information, places = information+weight, places+weight*at/float64(k)
		h.lines = append(h.lines, HumLine{at, dsp.PowerToDB(power), over})
		if over >= spectra.HumStrongDB && (strongest == 0 || k < strongest) {
			strongest = k
		}
		h.power += power
		band := background * thirdOctave * f / n.powers.LineHz
		h.around += band
		h.audible = h.audible || power > dsp.DBToPower(humLineOverDB)*band
		switch {
		case k == 1:
			h.first = power
		case k%2 == 0:
			h.even += power
		default:
			h.odd += power
		}
	}
	if information > 0 {
		h.hz = places / information
	}
	isAny := dsp.PowerToDB(h.power) > humLeastDBFS
	h.found = isAny && (len(h.lines) >= humNeedLines || strongest > 0 && (len(h.lines) == 2 || strongest <= 2))
	h.lone = isAny && !h.found && strongest > 0
	h.overDB = dsp.PowerToDB((h.power+2*math.Sqrt(variance)+hidden)/max(1e-20, h.power)) + 0.1
	// Cramér-Rao bound of a sine's frequency, 0.39 bins by the root of the power over that of
	// the noise in a bin, twice as much for the window and twice for two deviations.
	h.uncertainHz = 4 * 0.39 * bin / math.Sqrt(max(1e-20, information))
	return h
}

// widest is the width of a bin of the shortest piece in Hz.
func (n *noiseSpectrum) widest() (hz float64) {
	for _, l := range n.long.lines {
		hz = max(hz, l.BinHz())
	}
	return hz
}
