package take

import (
	"slices"

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
	before []float64 // the hop before the running one

	mainsHum struct { // once it was looked for
		hum
		reason string
	}
	wanted  int       // the first hop from the running one on that belongs to a pause
	plain   []float64 // the pause that is being read
	running []float64 // its typical part, behind the low half of C-weighting

	power    float64 // sum of squares
	frames   int64
	spectrum *spectra.Power
	steady   *steadiness
	long     humPieces // stretches for the search of hum, two seconds each at most
	kept     [][2]int  // those to come, from a hop up to another
	powers   *spectra.LinePowers
}

// mostHumSeconds bounds the noise that is kept for the search of hum, in humMostPieces.
const mostHumSeconds, humMostPieces = 10, 5

func newNoiseSpectrum(rate int, p *pauses, store *humStore) *noiseSpectrum {
	length := 16 // about 40 ms, a power of two
	for length*2 <= rate*frameMs/1000 {
		length *= 2
	}
	hop := hopOf(rate)
	n := &noiseSpectrum{
		rate: rate, pauses: p, before: make([]float64, hop), steady: newSteadiness(rate),
		spectrum: spectra.Empty(spectra.Hann(length), rate), long: humPieces{store: store},
	}
	n.kept = n.humStretches()
	return n
}

// humStretches are the stretches of pauses that are kept for the search of hum, from a hop up to
// another, 2 s at most: of more than humMostPieces the longest of each of as many parts of the
// take, since hum may begin late.
func (n *noiseSpectrum) humStretches() (kept [][2]int) {
	var all [][2]int
	run := 0
	for hop := n.pauses.from; hop <= n.pauses.to; hop++ {
		inside := n.pauses.inOrBetween(hop)
		if inside || n.pauses.inOrBetween(hop-1) {
			run++
		}
		if length := run * hopOf(n.rate); run > 0 && (!inside || length >= 2*n.rate) {
			if length >= int(humLeastPiece*float64(n.rate)) {
				all = append(all, [2]int{hop + 1 - run, hop + 1})
			}
			run = 0
		}
	}
	parts := min(humMostPieces, len(all))
	for i := range parts {
		part := all[i*len(all)/parts : (i+1)*len(all)/parts]
		kept = append(kept, slices.MaxFunc(part, func(a, b [2]int) int { return (a[1] - a[0]) - (b[1] - b[0]) }))
	}
	return kept
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

// warmWeightedHops is the same for the low half of C-weighting, whose two poles fall by a
// factor e in 7.7 ms: 0.2 s, after which (1 + t/7.7 ms)·e^(−t/7.7 ms) is under -160 dB.
const warmWeightedHops = 200 / hopMs

// noiseReader filters the sound of one or two noise spectra, whose filters then share
// registers, and hands it to them hop by hop.
type noiseReader struct {
	spectra []*noiseSpectrum
	band    *dsp.Cascade // above 20 Hz
	cLow    *dsp.Cascade
	work    dsp.Block // the running hop, by spectrum
	part    dsp.Block
	filled  int
	hops    int
	resting bool // the last hop was skipped
	weighs  bool // the last hop was weighted
	rests   bool // far from pauses; off in a test
}

// newNoiseReaders are the readers of all spectra of floors, two in each.
func newNoiseReaders(floors []*floor) (readers []*noiseReader) {
	var all []*noiseSpectrum
	for _, f := range floors {
		all = append(all, f.spectra()...)
	}
	for some := range slices.Chunk(all, 2) {
		readers = append(readers, newNoiseReader(some...))
	}
	return readers
}

func newNoiseReader(spectra ...*noiseSpectrum) *noiseReader {
	rate := spectra[0].rate
	return &noiseReader{
		spectra: spectra, band: dsp.NewCascade(audible(float64(rate)), len(spectra)), cLow: dsp.NewCascade([]dsp.Biquad{cLow(float64(rate))}, len(spectra)),
		work: dsp.NewBlock(len(spectra), hopOf(rate)), part: make(dsp.Block, len(spectra)), rests: true,
	}
}

func (r *noiseReader) write(b dsp.Block) {
	hop := r.work.Frames()
	for from := 0; from < b.Frames(); {
		take := min(b.Frames()-from, hop-r.filled)
		if r.filled == 0 {
			r.rest()
		}
		if !r.resting {
			for i, n := range r.spectra {
				r.part[i] = r.work[i][r.filled : r.filled+take]
				copy(r.part[i], b[n.pauses.channel][from:])
			}
			r.band.Process(r.part)
		}
		from += take
		if r.filled += take; r.filled == hop {
			if !r.resting {
				r.endHop()
			}
			r.hops++
			r.filled = 0
		}
	}
}

// rest decides whether the hop that begins is passed over, since no pause is near.
func (r *noiseReader) rest() {
	was := r.resting
	r.resting = r.rests
	for _, n := range r.spectra {
		r.resting = n.isFarFrom(r.hops) && r.resting
	}
	if was && !r.resting {
		r.band.Reset()
	}
}

func (r *noiseReader) endHop() {
	for i, n := range r.spectra {
		n.takeHop(r.hops, r.work[i])
	}
	was := r.weighs
	r.weighs = !r.rests || slices.ContainsFunc(r.spectra, func(n *noiseSpectrum) bool { return n.isNearTypical(r.hops) })
	if !r.weighs {
		return
	}
	if !was {
		r.cLow.Reset()
	}
	r.cLow.Process(r.work)
	for i, n := range r.spectra {
		n.takeWeighted(r.hops, r.work[i])
	}
}

// isNearTypical reports whether a hop belongs to a typical part of a pause, or lies so close
// before one that the low half of C-weighting has to settle.
func (n *noiseSpectrum) isNearTypical(hop int) bool {
	for k := hop - 1; k <= hop+warmWeightedHops; k++ {
		if n.pauses.isTypical(k) {
			return true
		}
	}
	return false
}

// isFarFrom reports whether no pause is near a hop; hops come in order.
func (n *noiseSpectrum) isFarFrom(hop int) bool {
	n.wanted = max(n.wanted, hop)
	for n.wanted <= n.pauses.to && !n.isWanted(n.wanted) {
		n.wanted++
	}
	return n.wanted > min(hop+warmHops, n.pauses.to)
}

// isWanted reports whether a hop is in a frame that is read, or between two.
func (n *noiseSpectrum) isWanted(hop int) bool {
	p := n.pauses
	return p.has(hop-1) || p.has(hop) || p.inOrBetween(hop-1) || p.inOrBetween(hop)
}

// takeHop takes a hop in if it belongs to a frame of the pauses: the one that it ends
// or the one that it begins.
func (n *noiseSpectrum) takeHop(hop int, x []float64) {
	if n.pauses.has(hop - 1) {
		n.steady.frame(n.before, x)
	}
	if n.pauses.has(hop) { // with the next hop a frame of a pause
		copy(n.before, x)
	}
	if len(n.kept) > 0 && hop >= n.kept[0][0] {
		if n.plain = append(n.plain, x...); hop+1 == n.kept[0][1] {
			n.endStretchOfHum()
		}
	}
	if n.pauses.isTypical(hop-1) || n.pauses.isTypical(hop) {
		n.power += vector.SumOfSquares(x)
		n.frames += int64(len(x))
	}
}

// takeWeighted takes the same hop behind the low half of C-weighting.
func (n *noiseSpectrum) takeWeighted(hop int, x []float64) {
	ends, begins := n.pauses.isTypical(hop-1), n.pauses.isTypical(hop)
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

// endStretchOfHum keeps a stretch for the search of hum.
func (n *noiseSpectrum) endStretchOfHum() {
	if len(n.plain) >= int(humLeastPiece*float64(n.rate)) {
		n.long.add(n.plain, mostHumSeconds*n.rate)
	}
	n.plain, n.kept = n.plain[:0], n.kept[1:]
}

// finish ends with the last pause.
func (n *noiseSpectrum) finish() {
	n.endStretch()
	if len(n.plain) > 0 {
		n.endStretchOfHum()
	}
}

// table is the spectrum as numbers, and the pauses that it rests on.
func (n *noiseSpectrum) table() Pauses {
	t := measure.Table{Columns: []string{"frequency_hz", "level_dbfs", "noise_bandwidth_hz"}}
	flat, missing, noiseHz := overCLow(func(float64) float64 { return 1 }), n.missing(), n.spectrum.NoiseHz()
	for _, row := range n.spectrum.Rows() {
		t.Rows = append(t.Rows, []float64{row.Hz, dsp.PowerToDB(missing * flat(row.Hz) * row.MeanSquare), noiseHz})
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
