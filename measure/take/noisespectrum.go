package take

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/internal/spectra"
)

// noiseSpectrum is the mean power spectrum of one channel of a take in its pauses,
// and what is needed to find mains hum in them.
type noiseSpectrum struct {
	rate      int
	channel   int
	pauses    pauses
	stretches [][2]int64
	frame     int64
	running   []float64 // sound of the stretch that is being read

	// A constant offset is no noise, but leaks into the lowest bins. The mean of the
	// first pauses is taken off all; held are those, until there are enough.
	held   [][]float64
	offset *float64
	sum    float64 // of what is left in them
	count  int

	spectrum *spectra.Power
	long     []*spectra.Lines // of stretches for the search of hum, two seconds each at most
}

// mostHumSeconds bounds the noise that is kept for the search of hum.
const mostHumSeconds = 10

func newNoiseSpectrum(rate, channel int, p pauses) *noiseSpectrum {
	length := 256 // about 40 ms, a product of small primes
	for length*2 <= rate*frameMs/1000 {
		length *= 2
	}
	return &noiseSpectrum{rate: rate, channel: channel, pauses: p, stretches: p.stretches(rate), spectrum: spectra.Empty(spectra.Hann(length), rate)}
}

func (n *noiseSpectrum) write(b dsp.Block) {
	for i := range b.Frames() {
		for len(n.stretches) > 0 && n.frame >= n.stretches[0][1] {
			n.endStretch()
			n.stretches = n.stretches[1:]
		}
		if len(n.stretches) > 0 && n.frame >= n.stretches[0][0] {
			n.running = append(n.running, b[n.channel][i])
			if len(n.running) == 2*n.rate {
				n.endStretch()
			}
		}
		n.frame++
	}
}

func (n *noiseSpectrum) endStretch() {
	if n.offset != nil {
		n.take(n.running)
	} else {
		n.held = append(n.held, slices.Clone(n.running))
		if n.count += len(n.running); n.count >= int(leastPauseSeconds*float64(n.rate)) {
			n.takeHeld()
		}
	}
	n.running = n.running[:0]
}

// takeHeld begins with the pauses so far.
func (n *noiseSpectrum) takeHeld() {
	mean := 0.0
	for _, x := range n.held {
		mean += planes.Sum(x) / float64(max(1, n.count))
	}
	n.offset, n.count = &mean, 0
	for _, x := range n.held {
		n.take(x)
	}
	n.held = nil
}

// take adds a stretch, from which it takes the offset.
func (n *noiseSpectrum) take(x []float64) {
	for i := range x {
		x[i] -= *n.offset
		n.sum += x[i]
	}
	n.count += len(x)
	n.spectrum.Add(x, len(n.spectrum.Window)/2)
	if len(x) >= int(humLeastPiece*float64(n.rate)) && len(n.long)*2 < mostHumSeconds {
		n.long = append(n.long, spectra.LinesThrough(spectra.Hann(len(x)), x, n.rate))
	}
}

// finish ends with the last pause, and takes what is left of a constant out of the
// spectrum: through the periodic Hann window two thirds of its power are in bin 0 and
// one third is in bin 1.
func (n *noiseSpectrum) finish() {
	if len(n.running) > 0 {
		n.endStretch()
	}
	if n.offset == nil {
		n.takeHeld()
	}
	rest := n.sum / float64(max(1, n.count))
	constant := rest * rest * float64(n.spectrum.Blocks)
	n.spectrum.Sums[0] = max(0, n.spectrum.Sums[0]-constant*2/3)
	n.spectrum.Sums[1] = max(0, n.spectrum.Sums[1]-constant/3)
}

// level is the mean square through a power weighting.
func (n *noiseSpectrum) level(weight func(float64) float64) float64 { return n.spectrum.Level(weight) }

// line is the power of a sine at a frequency in the pieces: the mean square
// that a steady sine there would have, noise around it included.
func (n *noiseSpectrum) line(hz float64) float64 {
	sum, weight := 0.0, 0.0
	for _, l := range n.long {
		amplitude, frames := cmplx.Abs(l.At(hz)), float64(len(l.Windowed))
		sum += amplitude * amplitude / 2 * frames
		weight += frames
	}
	return sum / weight
}

// Hum is looked for at 50 and 60 Hz and nine harmonics. A line counts if it
// stands 9 dB over its surroundings; hum is three of them, or a fundamental
// that stands 15 dB over. (common practice, no source)
const (
	humHarmonics  = 10
	humStepHz     = 0.1
	humNeedLines  = 3
	humLeastPiece = 0.25 // s
	humLeastDBFS  = -140 // what is lower is the rounding of 24 bits
)

func (n *noiseSpectrum) reportHum(r *report, floor float64) {
	none := func(reason string) {
		r.cannot("hum_hz", "Hz", reason)
		r.cannot("hum_level_dbfs", "dBFS", reason)
	}
	if len(n.long) == 0 {
		none(fmt.Sprintf("no pause longer than %g ms", humLeastPiece*1000))
		return
	}
	best := hum{}
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
		none("no line of the mains stands out of the pauses")
		return
	}
	level := dsp.PowerToDB(best.power)
	r.add("hum_hz", measure.Reading{Value: best.hz, Unit: "Hz", Definition: "fundamental of the mains series found in the pauses"})
	r.add("hum_level_dbfs", measure.Reading{Value: level, Unit: "dBFS", Reference: "mathematical rms against digital full scale", Definition: fmt.Sprintf("power of the lines that stand out, of %d harmonics, in the pauses", humHarmonics)})
	severity, family := measure.Note, "even and odd harmonics"
	if level > floor-10 {
		severity = measure.Doubt
	}
	if best.odd > 4*best.even {
		family = "odd harmonics: stray magnetic fields (common practice, no source)"
	} else if best.even > 4*best.odd {
		family = "even harmonics: a rectifier (common practice, no source)"
	}
	r.find(severity, -1, -1, fmt.Sprintf("hum of %.1f Hz at %.1f dBFS in the pauses, %s", best.hz, level, family), "find the loop or the transformer; a high-pass takes the fundamental only")
}

type hum struct {
	found     bool
	hz, power float64
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
		strong = strong || k == 1 && over >= spectra.HumStrongDB
		h.power += max(0, power-background)
		if k%2 == 0 {
			h.even += power
		} else {
			h.odd += power
		}
	}
	h.found = (lines >= humNeedLines || strong) && dsp.PowerToDB(h.power) > humLeastDBFS
	return h
}
