package take

import (
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/vector"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/spectra"
	"github.com/boothbench/boothbench/measure/internal/weighting"
)

// noiseSpectrum is the level and the mean power spectrum of one channel of a take in
// its pauses, how steady it is, and what is needed to find mains hum in them.
//
// What lies below 20 Hz is taken out ahead of it by a filter: a spectrum of 40 ms cannot
// separate it. What lies just above 20 Hz it cannot separate from 0 either, so the
// unweighted level is read from the samples, and the spectrum is taken behind the
// low-frequency half of C-weighting, which the weightings have in common or, as
// BS.468, can be divided by.
type noiseSpectrum struct {
	rate   int
	pauses *pauses
	band   *dsp.Cascade // above 20 Hz
	cLow   *dsp.Cascade
	work   dsp.Block // the running hop
	before []float64 // and the one before it

	mainsHum struct { // once it was looked for
		hum
		reason string
	}
	filled  int
	hops    int
	wanted  int       // the first hop from the running one on that belongs to a pause
	resting bool      // nothing was filtered of late
	rests   bool      // far from pauses; off in a test
	plain   []float64 // the pause that is being read
	running []float64 // its typical part, behind the low half of C-weighting

	power    float64 // sum of squares
	frames   int64
	spectrum *spectra.Power
	steady   *steadiness
	long     humPieces // stretches for the search of hum, two seconds each at most
	noHum    bool      // hum is not searched for
}

// mostHumSeconds bounds the noise that is kept for the search of hum.
const mostHumSeconds = 10

func newNoiseSpectrum(rate int, p *pauses, store *humStore) *noiseSpectrum {
	length := 16 // about 40 ms, a power of two
	for length*2 <= rate*frameMs/1000 {
		length *= 2
	}
	hop := hopOf(rate)
	return &noiseSpectrum{
		rate: rate, pauses: p, rests: true, band: dsp.NewCascade(audible(float64(rate)), 1), cLow: dsp.NewCascade([]dsp.Biquad{cLow(float64(rate))}, 1),
		work: dsp.NewBlock(1, hop), before: make([]float64, hop), steady: newSteadiness(rate),
		spectrum: spectra.Empty(spectra.Hann(length), rate), long: humPieces{store: store},
	}
}

// cLow is the low-frequency half of C-weighting: two poles at 20.6 Hz (IEC
// 61672-1:2013, Annex E).
func cLow(rate float64) dsp.Biquad { return dsp.CookbookHighPass(cLowHz, 0.5, rate) }

const cLowHz = 20.598997

// overCLow is a weighting of power for a spectrum behind that half. Nothing is below
// 20 Hz but what leaks there from above.
func overCLow(weight func(hz float64) float64) func(hz float64) float64 {
	return func(hz float64) float64 {
		if hz > 20000 {
			return 0
		}
		hz = max(hz, audibleHz)
		low := hz * hz / (hz*hz + cLowHz*cLowHz)
		return weight(hz) / (low * low)
	}
}

// warmHops is how many hops are filtered before the first one that is read, 0.75
// s. The slowest poles of the high-pass at 20 Hz fall by a factor e in 41 ms,
// therefore a start from rest is then within -160 dB of the settled output.
const warmHops = 750 / hopMs

func (n *noiseSpectrum) write(b dsp.Block) {
	x := b[n.pauses.channel]
	hop := len(n.before)
	for from := 0; from < len(x); {
		take := min(len(x)-from, hop-n.filled)
		if n.filled == 0 {
			n.rest()
		}
		if !n.resting {
			part := dsp.Block{n.work[0][n.filled : n.filled+take]}
			copy(part[0], x[from:])
			n.band.Process(part)
		}
		from += take
		if n.filled += take; n.filled == hop {
			if !n.resting {
				n.endHop()
			}
			n.hops++
			n.filled = 0
		}
	}
}

// rest decides whether the hop that begins is passed over, since no pause is near.
func (n *noiseSpectrum) rest() {
	n.wanted = max(n.wanted, n.hops)
	for n.wanted <= n.pauses.to && !n.isWanted(n.wanted) {
		n.wanted++
	}
	was := n.resting
	n.resting = n.rests && n.wanted > min(n.hops+warmHops, n.pauses.to)
	if was && !n.resting {
		n.band.Reset()
		n.cLow.Reset()
	}
}

// isWanted reports whether a hop is in a frame that is read, or between two.
func (n *noiseSpectrum) isWanted(hop int) bool {
	p := n.pauses
	return p.has(hop-1) || p.has(hop) || p.goesOn(hop-1) || p.goesOn(hop)
}

// endHop takes a hop in if it belongs to a frame of the pauses: the one that it ends
// or the one that it begins.
func (n *noiseSpectrum) endHop() {
	x := n.work[0]
	if n.pauses.has(n.hops - 1) {
		n.steady.frame(n.before, x)
	}
	copy(n.before, x)
	ends, begins := n.pauses.isTypical(n.hops-1), n.pauses.isTypical(n.hops)
	if !n.noHum && (n.pauses.goesOn(n.hops-1) || n.pauses.goesOn(n.hops)) {
		n.plain = append(n.plain, x...)
	}
	if !n.pauses.goesOn(n.hops) || len(n.plain) >= 2*n.rate {
		n.endPause()
	}
	if ends || begins {
		n.power += vector.SumOfSquares(x)
		n.frames += int64(len(x))
	}
	n.cLow.Process(n.work)
	if ends || begins {
		n.running = append(n.running, x...)
	}
	if !begins || len(n.running) >= 2*n.rate {
		n.endStretch()
	}
}

func (n *noiseSpectrum) endStretch() {
	n.spectrum.Add(n.running, len(n.spectrum.Window)/2)
	n.running = n.running[:0]
}

// endPause keeps a pause for the search of hum.
func (n *noiseSpectrum) endPause() {
	if x := n.plain; len(x) >= int(humLeastPiece*float64(n.rate)) && len(n.long.frames)*2 < mostHumSeconds {
		n.long.add(x, mostHumSeconds*n.rate)
	}
	n.plain = n.plain[:0]
}

// finish ends with the last pause.
func (n *noiseSpectrum) finish() {
	n.endStretch()
	n.endPause()
}

// table is the spectrum as numbers, and the pauses that it rests on.
func (n *noiseSpectrum) table() Pauses {
	t := measure.Table{Columns: []string{"frequency_hz", "level_dbfs", "noise_bandwidth_hz"}}
	flat := overCLow(func(float64) float64 { return 1 })
	for _, row := range n.spectrum.Rows() {
		t.Rows = append(t.Rows, []float64{row.Hz, dsp.PowerToDB(n.missing() * flat(row.Hz) * row.MeanSquare), n.spectrum.NoiseHz()})
	}
	return Pauses{n.pauses.channel, n.pauses.stretches(n.rate), t}
}

// level is the mean square through a power weighting, from 20 Hz to 20 kHz.
func (n *noiseSpectrum) level(weight func(float64) float64) float64 {
	return n.missing() * n.spectrum.Level(overCLow(weight))
}

// unweighted is the mean square from 20 Hz to 20 kHz.
func (n *noiseSpectrum) unweighted() float64 {
	above := n.spectrum.Level(func(hz float64) float64 { return 1 - weighting.AudioBand(max(hz, audibleHz)) })
	return n.missing() * max(0, n.power/float64(max(1, n.frames))-above)
}

// missing is a factor for the noise that the choice of the pauses excludes.
func (n *noiseSpectrum) missing() float64 { return dsp.DBToPower(n.pauses.missingDB) }
