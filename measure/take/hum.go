package take

import (
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/spectra"
)

// line is the power of a sine at a frequency in the pieces: the mean square
// that a steady sine there would have, noise around it included.
func (n *noiseSpectrum) line(hz float64) float64 {
	sum, weight := 0.0, 0.0
	for _, l := range n.long.lines {
		amplitude, frames := l.At(hz), float64(l.Frames)
		sum += amplitude * amplitude / 2 * frames
		weight += frames
	}
	return sum / weight
}

// lineHz is the bandwidth that a line is measured with, weighted by the length of the
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

// Hum is looked for at 50 and 60 Hz and nine harmonics. A line counts if it
// stands 9 dB over its surroundings; hum is three of them, or a fundamental
// that stands 15 dB over. (common practice, no source)
const (
	humHarmonics  = 10
	humHighestHz  = (humHarmonics + 0.5) * 60 * (1 + spectra.HumTolerance)
	humStepHz     = 0.1
	humNeedLines  = 3
	humLeastPiece = 0.25 // s
	humLeastDBFS  = -140 // what is lower is the rounding of 24 bits
	// Hum that is not 3 dB over the noise of the third octaves around its lines is not
	// audible as hum: it is a reading, and no finding. A third octave is 0.232 of its middle.
	humLeastOverDB = 3
	thirdOctave    = 0.2316
)

// mains is the hum of the mains in the pauses, or the reason why there is none.
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
		return best, "no line of the mains stands out of the pauses"
	}
	return best, ""
}

func (n *noiseSpectrum) reportHum(r *report, floor float64) {
	none := func(reason string) {
		r.cannot("hum_hz", "Hz", reason)
		r.cannot("hum_level_dbfs", "dBFS", reason)
	}
	best, reason := n.mains()
	if reason != "" {
		none(reason)
		return
	}
	r.in.Hum = best.lines
	level := dsp.PowerToDB(best.power)
	r.add("hum_hz", measure.Reading{Value: best.hz, Unit: "Hz", Definition: "fundamental of the mains series found in the pauses"})
	r.add("hum_level_dbfs", measure.Reading{Value: level, Unit: "dBFS", Reference: "mathematical rms against digital full scale", Definition: fmt.Sprintf("power of the lines that stand out, of %d harmonics, in the pauses", humHarmonics)})
	if best.power < dsp.DBToPower(humLeastOverDB)*best.around {
		return
	}
	severity, family := measure.Note, "even and odd harmonics"
	if level > floor-10 {
		severity = measure.Doubt
	}
	if len(best.lines) == 1 {
		family = "the fundamental alone"
	} else if best.odd > 4*best.even {
		family = "odd harmonics: stray magnetic fields (common practice, no source)"
	} else if best.even > 4*best.odd {
		family = "even harmonics: a rectifier (common practice, no source)"
	}
	r.find(severity, -1, -1, fmt.Sprintf("hum of %.1f Hz at %.1f dBFS-rms in the pauses, %s", best.hz, level, family), "find the loop or the transformer; a high-pass takes the fundamental only")
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
		around := 0.0
		for _, d := range []float64{0.35, 0.42, 0.5} {
			around += math.Log(n.line(f-d*hz)+1e-30) + math.Log(n.line(f+d*hz)+1e-30)
		}
		background := math.Exp(around / 6)
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
