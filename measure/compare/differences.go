package compare

import (
	"cmp"
	"math"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/internal/planes"
)

// What is large enough for a difference to be listed.
const (
	leastGainDB     = 0.005
	leastChannelDB  = 0.1 // between channels
	leastResponseDB = 0.05
	mostOverEnd     = 1.5  // of the response at an end of the spectrum: what is off by more there is a bell
	leastDelay      = 0.02 // frames: a filter's phase shifts as much
	roundingDBFS    = -140 // what lies under it is the rounding of 24 bits
	leastFollowed   = 0.8  // of a channel's rms: where less of it follows A, its gain says nothing
)

// Differences lists how B differs from A, in the order of the kinds; none for two
// equal sounds.
func (c *Comparison) Differences() []Difference {
	if c.order != nil {
		return c.orderDifferences()
	}
	if !c.Same {
		return []Difference{c.difference(Unrelated, c.Similarity, "")}
	}
	if c.totals == nil || c.To == c.From {
		return nil
	}
	all := c.timeDifferences()
	if turned := c.turnedDifferences(); len(turned) > 0 {
		return append(all, c.beside(turned)...)
	}
	response := 0
	var points []gainPoint
	var moved []Difference // the level over time
	if c.unaligned == nil {
		points = c.points()
		moved = append(c.levelChanges(points), c.clippingDifferences()...)
	}
	switch {
	case c.unaligned != nil && c.delayOf(*c.unaligned) != 0:
		// Of sounds that do not lie on each other, gain and response say nothing.
	case c.channelsDiffer():
		all = append(all, c.channelDifferences()...)
	default:
		if c.place.inverted {
			all = append(all, c.difference(Polarity, -1, ""))
		}
		if len(moved) > 0 { // then the mean spectrum is that of the louder part
			ends, _, _ := c.spectralEnds()
			level := c.levelDifference()
			if moved[0].Kind != Clipped {
				level = c.levelAtFirst(points, moved[0])
			}
			all = append(append(all, level...), ends...)
			break
		}
		bands := c.responseDifferences() // of all channels together
		all = append(append(all, c.levelDifference()...), bands...)
		response = len(bands)
	}
	all = append(all, moved...)
	all = append(all, c.dynamicsDifferences()...)
	if c.unaligned == nil {
		all = append(all, c.offsetDifferences(len(moved) > 0)...)
	}
	if len(moved) == 0 || moved[len(moved)-1].Kind != Clipped { // a top that was cut off is no click
		all = append(all, c.clickDifferences()...)
	}
	all = append(all, c.toneDifferences()...)
	for i, in := range []string{"B", "A"} {
		if n := c.totals.dropouts[1-i]; n.count > 0 && !c.atFadesEnd(n, moved) {
			d := c.difference(Dropout, 0, "")
			d.In, d.Frame, d.Frames, d.Within, d.Count = in, n.first, int64(n.longest), int64(n.within), n.count
			all = append(all, d)
		}
	}
	if db, steady, in := c.rest(response > 0); !math.IsInf(db, -1) {
		kind := Rest
		if steady && db >= roundingDBFS {
			kind = Noise
		}
		d := c.difference(kind, db, "dBFS")
		d.In = in
		all = append(all, d)
	}
	return all
}

// atFadesEnd reports whether one dropout is the silent end of a fade: it begins or ends
// within a fade, which goes on to silence, or comes from there.
func (c *Comparison) atFadesEnd(d dropouts, moved []Difference) bool {
	if len(moved) == 0 || moved[0].Kind != Fade || len(d.spans) == 0 {
		return false
	}
	from, to := moved[0].Frame, moved[0].Frame+moved[0].Frames
	margin := int64(c.Rate / 5)
	for _, span := range d.spans {
		if moved[0].Value < 0 && span[0] < from || moved[0].Value > 0 && span[1] > to+margin {
			return false
		}
	}
	return true
}

// found is where B lies, whether or not it was moved there.
func (c *Comparison) found() placement {
	if c.unaligned != nil {
		return *c.unaligned
	}
	return c.place
}

// delayOf is the delay in frames, at the middle of the first piece if the clocks drift.
func (c *Comparison) delayOf(p placement) float64 {
	from, to := c.From, c.To
	if len(p.pieces) > 1 {
		from, to = p.pieces[0].from, p.pieces[0].to
	}
	return p.Delay + (p.Speed-1)*float64(from+to)/2
}

// timeDifferences are delay and drift, of the whole or of a channel, cuts and
// insertions, and what one sound has more of at its ends.
func (c *Comparison) timeDifferences() (all []Difference) {
	p := c.found()
	if p.places > 1 {
		d := c.difference(Ambiguous, p.period, "frames")
		d.Count = int64(p.places)
		all = append(all, d)
	}
	if delay := c.delayOf(p); math.Abs(delay) >= leastDelay {
		all = append(all, c.difference(Delay, delay, "frames"))
	}
	for i, lag := range p.lags {
		if lag != 0 {
			d := c.difference(Delay, lag, "frames")
			d.Channel = i
			all = append(all, d)
		}
	}
	if ppm := (p.Speed - 1) * 1e6; ppm != 0 {
		all = append(all, c.difference(Drift, ppm, "ppm"))
	}
	all = append(all, c.edits()...)
	missing, extra := c.uncovered()
	for _, d := range c.edits() {
		if d.Kind == Cut {
			missing -= d.Frames
		} else {
			extra -= d.Frames
		}
	}
	for i, frames := range []int64{missing, extra} {
		if frames > 0 {
			d := c.difference([]Kind{Missing, Extra}[i], 0, "")
			d.Frames = frames
			all = append(all, d)
		}
	}
	return all
}

// edits are the cuts and insertions between the pieces.
func (c *Comparison) edits() (all []Difference) {
	pieces := c.place.pieces
	for i := 1; i < len(pieces); i++ {
		before, after := pieces[i-1], pieces[i]
		cut := after.from - before.to
		added := int64(math.Round(after.At(int(after.from)) - before.At(int(before.to))))
		add := func(kind Kind, frames int64) {
			if frames <= 0 {
				return
			}
			d := c.difference(kind, 0, "")
			d.Frame, d.Frames = before.to, frames
			all = append(all, d)
		}
		add(Cut, cut)
		add(Insertion, added)
	}
	return all
}

// A gainBasis is what the one gain of B is read from.
type gainBasis int

const (
	byLeastSquares gainBasis = iota
	byBands                  // the median of the third octaves: a filter's phase lowers what least squares find
	byNoiseInA               // B over what of A follows it: noise in A lowers what least squares find
	byOtherBins              // what lies beside hum and tones that only A has
	byUnclipped              // the median of 20 ms: the tops that are cut off lower what least squares find
)

// statedGain is the gain of B in dB that a summary states and gain_db reads, and from what.
// Of a level that changes over time it is that by least squares; a summary then states what
// holds until the first change.
func (c *Comparison) statedGain() (db float64, by gainBasis) {
	if c.unaligned == nil && !c.channelsDiffer() && c.match != EqualLoudness {
		points := c.points()
		clipped := len(c.clippingDifferences()) > 0
		switch {
		case len(c.levelChanges(points)) > 0:
		case clipped && len(points) > 0:
			slices.SortFunc(points, func(p, q gainPoint) int { return cmp.Compare(p.db, q.db) })
			return dsp.AmplitudeToDB(math.Abs(c.gain)) + points[len(points)/2].db, byUnclipped
		case clipped:
		case len(c.responseDifferences()) > 0:
			if bands, medianDB := c.followedBands(); len(bands) > 0 {
				return dsp.AmplitudeToDB(math.Abs(c.gain)) + medianDB, byBands
			}
		default:
			named := c.namedBins()
			h1, h2 := c.spectrum.gains(named)
			if steady, in, _ := c.steadyNoise(named); steady && in == "A" {
				return dsp.AmplitudeToDB(math.Abs(c.gain)) + h2, byNoiseInA
			}
			if slices.ContainsFunc(c.toneDifferences(), func(d Difference) bool { return d.In == "A" }) {
				return dsp.AmplitudeToDB(math.Abs(c.gain)) + h1, byOtherBins
			}
		}
	}
	if c.match == LevelsAsTheyAre {
		return dsp.AmplitudeToDB(math.Abs(c.leastSquaresGain())), byLeastSquares
	}
	return dsp.AmplitudeToDB(math.Abs(c.gain)), byLeastSquares
}

// levelDifference is the gain.
func (c *Comparison) levelDifference() []Difference {
	db, _ := c.statedGain()
	if !(math.Abs(db) >= leastGainDB) || math.IsInf(db, 0) {
		return nil
	}
	return []Difference{c.difference(Level, db, "dB")}
}

// channelsDiffer reports whether something happened to one channel and not to another.
func (c *Comparison) channelsDiffer() bool {
	least, most := math.Inf(1), math.Inf(-1)
	for _, g := range c.gains {
		if g-g == 0 { // NaN: silent in A
			least, most = min(least, g), max(most, g)
		}
	}
	return least < most && (least*most <= 0 || math.Abs(dsp.AmplitudeToDB(most/least)) >= leastChannelDB)
}

// channelDifferences are the polarity and the gain of each channel.
func (c *Comparison) channelDifferences() (all []Difference) {
	add := func(channel int, kind Kind, value float64, unit string) {
		d := c.difference(kind, value, unit)
		d.Channel = channel
		all = append(all, d)
	}
	for i, g := range c.gains {
		if !c.follows(i) {
			if c.known == nil || !c.known[i] { // else a filter's phase, and least squares state no gain
				add(i, OtherSound, 0, "")
			}
			continue
		}
		if g < 0 {
			add(i, Polarity, -1, "")
		}
		switch db := dsp.AmplitudeToDB(math.Abs(g)); {
		case g == 0:
			add(i, Silent, 0, "")
		case math.Abs(db) >= leastGainDB:
			add(i, Level, db, "dB")
		}
	}
	return all
}

// follows reports whether a channel of B is that of A with a gain, and not another
// sound or the same at another time: then least squares and the rms agree.
func (c *Comparison) follows(channel int) bool {
	t, g := c.totals, c.gains[channel]
	return g-g != 0 || math.Abs(g) >= leastFollowed*math.Abs(c.gain)*math.Sqrt(t.yy[channel]/max(t.xx[channel], math.SmallestNonzeroFloat64))
}

// rest is the level of the residual in dBFS, −∞ for none, whether it is noise, and which
// sound has that. Of noise, and with a response, an offset or tones, which are stated by
// themselves, it is what they do not explain.
func (c *Comparison) rest(response bool) (db float64, steady bool, in string) {
	n := float64(c.compared * int64(c.Channels))
	level := planes.Sum(c.totals.ee) / n
	if c.channelsDiffer() {
		level = c.restOfChannels() / n
	}
	if level == 0 {
		return math.Inf(-1), false, ""
	}
	aligned := c.unaligned == nil || c.delayOf(*c.unaligned) == 0
	if c.spectrum.blocks > 0 && aligned && !c.channelsDiffer() {
		if steady, in, power := c.steadyNoise(c.namedBins()); steady {
			return dsp.PowerToDB(power), true, in
		}
	}
	if response || c.namesLines() && aligned && c.spectrum.blocks > 0 {
		return dsp.PowerToDB(c.unexplained()), false, ""
	}
	return dsp.PowerToDB(level), c.totals.windows.steady(), ""
}

// steadyNoise is that of the spectrum, without what the interpolation between the frames
// leaves, or a converter's filter: above 0.46 of the rate, and under −100 dB of A.
func (c *Comparison) steadyNoise(leaves func(bin int) bool) (steady bool, in string, power float64) {
	if c.place.exact() {
		return c.spectrum.steadyNoise(leaves)
	}
	highest := int(mostInterpolated * float64(c.spectrum.length))
	steady, in, power = c.spectrum.steadyNoise(func(bin int) bool { return bin > highest || leaves(bin) })
	if power*float64(c.compared*int64(c.Channels)) < leastInterpolated*planes.Sum(c.totals.xx) {
		return false, "", 0
	}
	return steady, in, power
}

// mostInterpolated is the share of the rate up to which the interpolation passes all, and
// leastInterpolated the share of the power that it leaves there (see package timemap).
const (
	mostInterpolated  = 0.46
	leastInterpolated = 1e-10
)

// namesLines reports whether an offset, hum or a tone is listed.
func (c *Comparison) namesLines() bool {
	return len(c.offsetDifferences(false))+len(c.toneDifferences()) > 0
}

// unexplained is the mean square of what in B follows no fixed response to A, dropouts and
// clicks included, without an offset, hum and tones that are listed by themselves.
func (c *Comparison) unexplained() float64 {
	if c.totals.changed == 0 && c.place.exact() {
		return 0
	}
	return c.spectrum.unexplained(c.namedBins()) + c.spectrum.ofEvents()
}

// namedBins are the bins of an offset and of tones that are listed by themselves.
func (c *Comparison) namedBins() func(bin int) bool {
	offset := len(c.offsetDifferences(false)) > 0
	hum, _, tones := c.lines()
	tones = append(hum, tones...)
	return func(bin int) bool {
		if offset && bin <= 1 { // as far as a Hann window spreads it
			return true
		}
		for _, t := range tones {
			if math.Abs(float64(bin)-t.hz*float64(c.spectrum.length)/float64(c.Rate)) <= toneLobe+1 {
				return true
			}
		}
		return false
	}
}

// restOfChannels is the residual, summed, with each channel's own gain removed.
func (c *Comparison) restOfChannels() (sum float64) {
	for i := range c.gains {
		sum += c.restOfChannel(i)
	}
	return sum
}

func (c *Comparison) restOfChannel(i int) float64 {
	t, g := c.totals, c.gains[i]
	switch {
	case g == 0 || g-g != 0: // silent, which is listed
		return 0
	case !c.follows(i):
		return t.ee[i]
	}
	own := c.gain / g
	rest := own*own*t.yy[i] - own*(t.xx[i]+t.yy[i]-t.ee[i]) + t.xx[i]
	if rest <= 1e-12*t.xx[i] { // rounding
		return 0
	}
	return rest
}

// responseDifferences are bands that lie higher or lower: at an end of the spectrum
// as a whole, in its middle by the largest.
func (c *Comparison) responseDifferences() (all []Difference) {
	all, lowest, highest := c.spectralEnds()
	bands, _ := c.followedBands()
	// Its slope is no difference of its own, nor are bands that hum, which is stated by itself,
	// strengthens or weakens: a sound's own hum follows the phase of what is added.
	hum, _, _ := c.lines()
	ofHum := func(b band) bool {
		return slices.ContainsFunc(hum, func(t spectralTone) bool {
			lobe := toneLobe * float64(c.Rate) / float64(c.spectrum.length)
			return t.hz+lobe > b.hz*math.Pow(10, -0.05) && t.hz-lobe < b.hz*math.Pow(10, 0.05) // third octave, IEC 61260-1
		})
	}
	var between []band
	for _, b := range bands {
		if !ofHum(b) && b.hz > lowest.hz*filterSkirt && (highest.hz == 0 || b.hz < highest.hz/filterSkirt) {
			between = append(between, b)
		}
	}
	if bands = between; len(bands) < 3 {
		return all
	}
	off := func(b band) bool { return b.certainDB() >= leastResponseDB }
	// An end of the spectrum extends to where the deviation is a quarter of that at
	// the end.
	with := func(b, end band) bool { return off(b) && b.responseDB/end.responseDB >= 0.25 }
	first, last := 0, len(bands)-1
	for first < len(bands) && with(bands[first], bands[0]) {
		first++
	}
	for last >= first && with(bands[last], bands[len(bands)-1]) {
		last--
	}
	add := func(b band, hz float64, side int) {
		d := c.difference(Band, b.responseDB, "dB")
		d.Hz, d.Side = hz, side
		all = append(all, d)
	}
	// largest of a run, of those that are off; an end of the spectrum is one where nothing
	// is off by much more.
	largest := func(run []band) band {
		most := run[0]
		for _, b := range run {
			if off(b) && (!off(most) || math.Abs(b.responseDB) > math.Abs(most.responseDB)) {
				most = b
			}
		}
		return most
	}
	if first > last { // everywhere
		most := largest(bands)
		add(most, bandHz(most), 0)
		return all
	}
	isEnd := func(run []band, end band) bool {
		return math.Abs(largest(run).responseDB) <= mostOverEnd*math.Abs(end.responseDB)
	}
	if first > 0 && isEnd(bands[:first], bands[0]) {
		add(bands[0], bandHz(bands[first]), -1)
	} else {
		first = 0
	}
	upper := last < len(bands)-1 && isEnd(bands[last+1:], bands[len(bands)-1])
	if !upper {
		last = len(bands) - 1
	}
	if most := largest(bands[first : last+1]); off(most) {
		add(most, bandHz(most), 0)
	}
	if upper {
		add(bands[len(bands)-1], bandHz(bands[last]), 1)
	}
	return all
}

// spectralEnds are a low-pass and a high-pass.
func (c *Comparison) spectralEnds() (all []Difference, lowest, highest spectralEnd) {
	_, medianDB := c.followedBands()
	lowest, highest = c.spectrum.ends(medianDB)
	for _, end := range []spectralEnd{lowest, highest} {
		if end.hz == 0 {
			continue
		}
		kind := LowPass
		if end.below {
			kind = HighPass
		}
		d := c.difference(kind, end.db, "dB")
		d.Hz = end.hz
		all = append(all, d)
	}
	return all, lowest, highest
}
