package take

import (
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/spectra"
)

// line is the power at a frequency in the pieces: the mean square of a steady sine there,
// including the noise around it.
func (n *noiseSpectrum) line(hz float64) float64 {
	sum, weight := 0.0, 0.0
	for _, l := range n.long.lines {
		amplitude, frames := l.At(hz), float64(l.Frames)
		sum += amplitude * amplitude / 2 * frames
		weight += frames
	}
	return sum / weight
}

// lineHz is the bandwidth in which a line is measured, weighted by the length of the
// pieces: 1.5 bins under a Hann window.
func (n *noiseSpectrum) lineHz() float64 {
	sum, weight := 0.0, 0.0
	for _, l := range n.long.lines {
		frames := float64(l.Frames)
		sum += 1.5 * l.BinHz() * frames
		weight += frames
	}
	return sum / weight
}

// Hum is searched for at 50 and 60 Hz and nine harmonics. A line counts if it is 9 dB
// above its surroundings. Hum is three such lines, or a fundamental that is 15 dB above
// its surroundings. (common practice, no source)
const (
	humHarmonics  = 10
	humHighestHz  = (humHarmonics + 0.5) * 60 * (1 + spectra.HumTolerance)
	humStepHz     = 0.1
	humNeedLines  = 3
	humLeastPiece = 0.25 // s
	humLeastDBFS  = -140 // what is lower is the rounding of 24 bits
	// Hum that is less than 3 dB above the noise of the third octaves around its lines is
	// not audible as hum: it is a reading, and no finding. A third octave is 0.232 of its
	// centre frequency wide.
	humLeastOverDB = 3
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
	for _, mains := range []float64{50, 60} {
		centre, power := mains, 0.0
		for hz := mains * (1 - spectra.HumTolerance); hz <= mains*(1+spectra.HumTolerance); hz += humStepHz {
			if p := n.line(hz) + n.line(3*hz); p > power {
				centre, power = hz, p
			}
		}
		if h := n.series(centre); h.found && (!best.found || h.power > best.power) {
			best = h
		}
	}
	if !best.found {
		return best, "no line of the mains is above the noise of the pauses"
	}
	return best, ""
}

// mostHum is the power that hum which was not found has at most: of each series the
// largest lines that lie where its harmonics may, each as large as one that the noise
// weakens by twice its own amplitude there.
func (n *noiseSpectrum) mostHum() (power float64) {
	step := math.Inf(1)
	for _, l := range n.long.lines {
		step = min(step, l.BinHz()/2) // a line between two steps is read 0.4 dB too low at most
	}
	for _, mains := range []float64{50, 60} {
		sum := 0.0
		for k := 1.0; k <= humHarmonics && k*mains*1.02 < float64(n.rate)/2; k++ {
			line := 0.0
			for hz := k * mains * (1 - spectra.HumTolerance); hz <= k*mains*(1+spectra.HumTolerance); hz += step {
				line = max(line, n.line(hz))
			}
			amplitude := math.Sqrt(line) + 2*math.Sqrt(n.around(k*mains, mains))
			sum += amplitude * amplitude
		}
		power = max(power, sum)
	}
	return power
}

// around is the power that a line at a frequency would be read as if noise alone were
// there: that between it and its neighbours of a series of a fundamental.
func (n *noiseSpectrum) around(f, hz float64) float64 {
	sum := 0.0
	for _, d := range []float64{0.35, 0.42, 0.5} {
		sum += math.Log(n.line(f-d*hz)+1e-30) + math.Log(n.line(f+d*hz)+1e-30)
	}
	return math.Exp(sum / 6)
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
		for f := largest.Hz * (1 - spectra.HumTolerance); f <= largest.Hz*(1+spectra.HumTolerance); f += humStepHz {
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
	ofHz, ofLevel := fmt.Sprintf("±%g Hz, half a step of the search", humStepHz/2), ""
	if db, hz, ok := n.wander(best); ok {
		ofHz, ofLevel = fmt.Sprintf("±%.2f Hz from pause to pause", max(humStepHz/2, hz)), fmt.Sprintf("±%.1f dB from pause to pause", db)
	}
	r.in.Hum = best.lines
	level := dsp.PowerToDB(best.power)
	r.add("hum_hz", measure.Reading{Value: best.hz, Unit: "Hz", Definition: "fundamental of the mains series found in the pauses", Bound: ofHz})
	r.add("hum_level_dbfs", measure.Reading{Value: level, Unit: "dBFS", Reference: "mathematical rms against digital full scale", Definition: fmt.Sprintf("power of the lines that stand out, of %d harmonics, in the pauses", humHarmonics), Bound: ofLevel})
	if best.power < dsp.DBToPower(humLeastOverDB)*best.around {
		return
	}
	severity, family := measure.Note, "even and odd harmonics"
	if level > floor-10 {
		severity = measure.Warning
	}
	if len(best.lines) == 1 {
		family = "the fundamental alone"
	} else if best.odd > 4*best.even {
		family = "odd harmonics: stray magnetic fields (common practice, no source)"
	} else if best.even > 4*best.odd {
		family = "even harmonics: a rectifier (common practice, no source)"
	}
	r.find(severity, -1, -1, fmt.Sprintf("hum of %.1f Hz at %.1f dBFS-rms in the pauses, %s", best.hz, level, family), "find the ground loop or the transformer; a high-pass takes the fundamental only")
}

// HumLine is a line of the mains series.
type HumLine struct {
	Hz, DBFS float64
	OverDB   float64 // over the noise around it, in the bandwidth of the measurement
}

type hum struct {
	found     bool
	hz, power float64
	around    float64 // noise of the third octaves around its lines
	lines     []HumLine
	odd, even float64
}

// series measures the lines of a fundamental.
func (n *noiseSpectrum) series(hz float64) hum {
	h := hum{hz: hz}
	lines, strong := 0, false
	for k := 1; k <= humHarmonics && float64(k)*hz*1.02 < float64(n.rate)/2; k++ {
		f := float64(k) * hz
		background := n.around(f, hz)
		power := n.line(f)
		over := dsp.PowerToDB(power / background)
		if over < spectra.HumLineDB {
			continue
		}
		lines++
		h.lines = append(h.lines, HumLine{f, dsp.PowerToDB(max(power-background, 1e-20)), over})
		strong = strong || k == 1 && over >= spectra.HumStrongDB
		h.power += max(0, power-background)
		h.around += background * thirdOctave * f / n.lineHz()
		if k%2 == 0 {
			h.even += power
		} else {
			h.odd += power
		}
	}
	h.found = (lines >= humNeedLines || strong) && dsp.PowerToDB(h.power) > humLeastDBFS
	return h
}
