package compare

import (
	"cmp"
	"fmt"
	"math"
	"sort"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/internal/spectra"
	"github.com/boothbench/boothbench/measure/internal/weighting"
)

// Readings are: similarity; delay_frames, delay_ms, drift_ppm, missing_ms, extra_ms,
// polarity, gain_db (and of each channel), gain_low_levels_db, gain_high_levels_db; residual_dbfs, null_depth_db, residual_a_dbfs,
// residual_<band>_dbfs, largest_difference_dbfs, first_difference_frames,
// changed_samples, dropouts_a, dropouts_b, unexplained_dbfs; response_difference_db
// and _hz; and of each sound's own readings the difference, B less A, as
// integrated_difference_lu.
func (c *Comparison) Readings() measure.Readings {
	var r measure.Readings
	r.Add("similarity", measure.Reading{Value: c.Similarity, Reference: "1: one sound in two copies", Definition: fmt.Sprintf("correlation of the loudest passage, of up to %.1f s, where it is largest: of differences from frame to frame, or, where noise covers these, at the frequencies that both have in common", float64(probeFrames)/float64(c.Rate))})
	reason := ""
	if !c.Same {
		reason = c.whyDifferent()
	}
	c.addPlace(&r, reason)
	c.addResidual(&r, reason)
	c.addResponse(&r, reason)
	c.addDifferences(&r, reason)
	return r
}

func (c *Comparison) addPlace(r *measure.Readings, reason string) {
	at := c.found()
	within := at.within() // frames
	delay := measure.Reading{Value: c.delayOf(at), Unit: "frames", Reason: reason, Reference: "A; more than 0: B is later", Definition: "largest correlation, between the frames; in the middle of the overlap, or ahead of the first cut or insertion",
		Bound: fmt.Sprintf("±%.3f frames, from %d windows", within, at.windows)}
	r.Add("delay_frames", delay)
	toMs := 1000 / float64(c.Rate)
	delay.Value, delay.Unit, delay.Bound = delay.Value*toMs, "ms", fmt.Sprintf("±%.2g ms, from %d windows", within*toMs, at.windows)
	r.Add("delay_ms", delay)
	slope := fmt.Sprintf("±%.2g ppm, from %d windows", at.slope*1e6, at.windows)
	if math.IsInf(at.slope, 1) {
		slope = "without a ±, from too few windows"
	}
	r.Add("drift_ppm", measure.Reading{Value: (at.Speed - 1) * 1e6, Reason: reason, Unit: "ppm", Reference: "A; more than 0: B is longer", Definition: "slope of the delay over the overlap", Bound: fmt.Sprintf("%s; 0 where the delay rises by less than %g frames or the windows' scatter", slope, sameDelay)})
	missing, extra := c.uncovered()
	ms := func(frames int64) float64 { return float64(frames) * 1000 / float64(c.Rate) }
	r.Add("missing_ms", measure.Reading{Value: ms(missing + c.muted()), Reason: reason, Unit: "ms", Definition: fmt.Sprintf("what of A is not in B, cut out, muted or before or after it; what a delay of up to %g s shifts out of B's end, or one of up to %g ms of its beginning, is not counted", mostLate, mostEarly*1000)})
	c.placeLast(r, Cut)
	if last := &(*r)[len(*r)-1]; c.muted() > 0 && (last.Frame < 0 || missing == 0) {
		last.Frame = c.totals.dropouts[1].first
	}
	r.Add("extra_ms", measure.Reading{Value: ms(extra), Reason: reason, Unit: "ms", Definition: fmt.Sprintf("what of B is not in A, put in or before or after it; a delay of up to %g s is not counted", mostLate)})
	c.placeLast(r, Insertion)
	polarity := 1.0
	if c.place.inverted && !(c.channelsDiffer() && c.gain > 0) {
		polarity = -1
	}
	turned := c.turnedDifferences()
	if len(turned) > 0 {
		polarity = 0
	}
	r.Add("polarity", measure.Reading{Value: polarity, Reason: reason, Reference: "+1: as A, -1: inverted, 0: inverted in a part", Definition: "sign of the correlation"})
	if len(turned) > 0 {
		last := &(*r)[len(*r)-1]
		last.Frame, last.Channel = turned[0].Frame, turned[0].Channel
	}
	method := fmt.Sprintf("least squares of all channels, over blocks of %d frames that lie within %.1f dB of their median; B is brought to A's level by it", gainFrames, dsp.AmplitudeToDB(1+gainStray))
	switch {
	case c.match == LeastSquares && c.channelsDiffer():
		method = "least squares of the channel that changed least, since they differ; B is brought to A's level by it"
	case c.match == EqualLoudness:
		method = "difference of integrated loudness; B is brought to A's level by it"
	case c.match == LevelsAsTheyAre:
		method = "least squares of all channels; nothing is matched"
	}
	own := dsp.AmplitudeToDB(math.Abs(c.gain))
	if reason == "" {
		var by gainBasis
		own, by = c.statedGain()
		from := map[gainBasis]string{byBands: "median of the third octaves in which B follows A, since their response differs", byUnclipped: fmt.Sprintf("median of %d ms, since B is clipped", trackMs), byNoiseInA: "B over what of A follows it (H2), since A has noise", byOtherBins: "beside the hum and the tones that A has"}[by]
		switch {
		case from != "" && c.match == LevelsAsTheyAre:
			method = from + "; nothing is matched"
		case from != "":
			method = fmt.Sprintf("%s; by least squares it is %.2f dB, to which B is matched", from, dsp.AmplitudeToDB(math.Abs(c.gain)))
		}
	}
	c.addGain(r, "gain_db", own, reason, method)
	c.addLevelGains(r, reason)
	if c.Channels > 1 {
		for i := range c.Channels {
			gain := math.NaN()
			if i < len(c.gains) {
				gain = dsp.AmplitudeToDB(math.Abs(c.gains[i]))
			}
			c.addGain(r, fmt.Sprintf("gain_db_ch%d", i+1), gain, reason, "least squares")
		}
	}
}

// mostLate and mostEarly are the longest delays, in s, that shift a part of A out of B
// and are no loss: processing makes a sound late, and early only where its latency is
// compensated by too much. A B that is early by more lacks a beginning of A; one that is
// late by more begins with something that is not in A.
const (
	mostLate  = 1.0
	mostEarly = 0.01
)

// uncovered are the frames of A that B does not hold, and the frames of B that A does
// not hold, without those that a delay shifts out at an end.
func (c *Comparison) uncovered() (missing, extra int64) {
	pushed := int64(math.Ceil(math.Abs(c.place.Delay))) + 1
	if c.place.exact() {
		pushed = int64(math.Abs(c.place.Delay))
	}
	for _, lag := range c.place.lags {
		pushed = max(pushed, int64(math.Ceil(math.Abs(c.place.Delay+lag))), int64(math.Ceil(math.Abs(lag))))
	}
	cut, added := int64(0), int64(0)
	for _, d := range c.edits() {
		if d.Kind == Cut {
			cut += d.Frames
		} else {
			added += d.Frames
		}
	}
	inB := int64(math.Round(float64(c.compared) * c.place.Speed))
	excused := pushed
	if seconds := c.place.Delay / float64(c.Rate); seconds > mostLate || seconds < -mostEarly {
		excused = pushed - int64(math.Abs(c.place.Delay))
	}
	return cut + max(0, c.FramesA-c.compared-cut-excused), added + max(0, c.FramesB-inB-added-excused)
}

// muted is how many frames of B are silent where A is not, but at the end of a fade.
func (c *Comparison) muted() int64 {
	if c.totals == nil || c.unaligned != nil {
		return 0
	}
	d := c.totals.dropouts[1]
	if d.silent == 0 || c.atFadesEnd(d, c.levelChanges(c.points())) {
		return 0
	}
	return d.silent
}

// leastSquaresGain is the gain where none was matched: that of the channels, by
// their energy.
func (c *Comparison) leastSquaresGain() float64 {
	var sum, weights float64
	for i, g := range c.gains {
		if g-g == 0 {
			sum, weights = sum+g*c.totals.xx[i], weights+c.totals.xx[i]
		}
	}
	return sum / weights
}

// addGain adds a gain in dB; −∞ and NaN are that of silence.
func (c *Comparison) addGain(r *measure.Readings, name string, db float64, reason, method string) {
	about := measure.Reading{Value: db, Reason: reason, Unit: "dB", Reference: "A", Definition: method}
	if reason == "" && db-db != 0 {
		about.Reason = "silence"
	}
	r.Add(name, about)
}

// residualPower is the mean square of the difference over all channels.
func (c *Comparison) residualPower() float64 {
	if c.totals == nil {
		return 0
	}
	return planes.Sum(c.totals.ee) / max(1, float64(c.compared*int64(c.Channels)))
}

func (c *Comparison) addResidual(r *measure.Readings, reason string) {
	const scale = "mathematical rms against digital full scale, on A's level"
	about := measure.Reading{Reason: reason, Unit: "dBFS", Reference: scale, Definition: "B, aligned and brought to A's level, less A"}
	if !c.place.exact() {
		about.Bound = "the interpolation between the frames leaves up to -60 dB of what lies above 0.46 of the rate, and -100 dB below"
	}
	var xx, ee float64
	if c.totals != nil {
		xx, ee = planes.Sum(c.totals.xx), planes.Sum(c.totals.ee)
	}
	if reason == "" && c.To == c.From {
		about.Reason = "they have no frame in common"
	}
	r.AddLevel("residual_dbfs", c.residualPower(), about)
	depth := about
	depth.Unit, depth.Reference, depth.Definition = "dB", "A, over the same frames", "rms of A over that of the difference"
	if depth.Reason == "" && ee == 0 {
		depth.Reason, depth.Beyond = "no difference: exactly 0", 1
	} else if depth.Reason == "" {
		depth.Value = dsp.PowerToDB(xx / ee)
	}
	if depth.Reason == "" && xx == 0 {
		depth.Reason = "A is silent"
	}
	r.Add("null_depth_db", depth)
	if c.Channels > 1 && c.totals != nil {
		for i, e := range c.totals.ee {
			r.AddLevel(fmt.Sprintf("residual_dbfs_ch%d", i+1), e/max(1, float64(c.compared)), about)
		}
	}
	weighted := about
	weighted.Weighting = "A"
	power := 0.0
	short := reason
	if c.spectrum != nil {
		if c.spectrum.looked == 0 && short == "" {
			short = fmt.Sprintf("too short: %s < %d", dsp.Plural(c.compared, "frame"), c.spectrum.length)
		}
		power = c.spectrum.weighted(weighting.A)
		weighted.Reason = cmp.Or(short, c.spectrum.uneven)
	}
	r.AddLevel("residual_a_dbfs", power, weighted)
	rest := about
	rest.Definition, rest.Reason = "what in B, on A's level, follows no fixed response to A (incoherent power), without an offset, hum and tones that are listed", short
	power = 0
	if c.spectrum != nil && rest.Reason == "" {
		power = c.unexplained()
	}
	r.AddLevel("unexplained_dbfs", power, rest)
	c.addPlaces(r, reason)
}

// placeLast gives the last reading the frame of the first edit of a kind.
func (c *Comparison) placeLast(r *measure.Readings, kind Kind) {
	for _, d := range c.edits() {
		if d.Kind == kind {
			(*r)[len(*r)-1].Frame = d.Frame
			return
		}
	}
}

// addPlaces adds where the sounds differ.
func (c *Comparison) addPlaces(r *measure.Readings, reason string) {
	t := c.totals
	if t == nil {
		t = newDifferences(c.Rate, c.Channels, 0)
	}
	r.AddLevel("largest_difference_dbfs", t.largest.value*t.largest.value, measure.Reading{Reason: reason, Unit: "dBFS", Reference: "full scale, on A's level", Definition: "largest |sample| of the difference; its frame is A's"})
	last := &(*r)[len(*r)-1]
	last.Frame, last.Channel = t.largest.frame, t.largest.channel
	exact := reason
	if exact == "" && !c.place.exact() {
		exact = "the sounds are not aligned to whole frames"
	}
	begin := t.first
	for _, d := range c.edits() {
		if begin < 0 || d.Frame < begin {
			begin = d.Frame
		}
	}
	first := measure.Reading{Value: float64(begin), Reason: exact, Unit: "frames", Definition: "first frame of A at which a sample differs, before levels are matched, or at which something is cut out or put in"}
	if exact == "" && begin < 0 {
		first.Reason = "no sample differs"
	}
	r.Add("first_difference_frames", first)
	r.Add("changed_samples", measure.Reading{Value: float64(t.changed), Reason: exact, Unit: "samples", Definition: "samples that differ at all, before levels are matched, where both sounds are; missing_ms and extra_ms say what only one has"})
	for i, name := range []string{"dropouts_a", "dropouts_b"} {
		d := t.dropouts[i]
		r.Add(name, measure.Reading{Value: float64(d.count), Reason: reason, Unit: "dropouts", Definition: fmt.Sprintf("stretches of %d ms and more in which it lies %d dB under the other sound, which is over %d dBFS, and pauses of the other between them in which it is under %d dBFS; the frame is A's", dropoutLeast1, -dropoutDB, dropoutLeast, dropoutSilent)})
		if d.count > 0 {
			(*r)[len(*r)-1].Frame = d.first
		}
	}
}

const (
	// A band counts for the response where A has enough in it, and B follows it.
	bandLeastDB        = -60 // against the loudest band
	bandLeastCoherence = 0.9
	// A band farther from the level of the whole is filtered.
	mostLevelDB = 12
)

// followedBands are the bands that show a response, and the median of it, which is a
// matter of level.
func (c *Comparison) followedBands() (followed []band, medianDB float64) {
	if c.spectrum == nil {
		return nil, 0
	}
	bands := c.spectrum.bands()
	if c.byLevel.spreadDB() > 0 {
		bands = c.levels.withoutLevel(bands, c.byLevel.curve)
	}
	most := 0.0
	for _, b := range bands {
		most = max(most, b.a)
	}
	var all, near, upper, upperNear []float64
	for _, b := range bands {
		if b.a > most*dsp.DBToPower(bandLeastDB) && b.coherence >= bandLeastCoherence {
			followed = append(followed, b)
			all, upper = append(all, b.responseDB), append(upper, b.upperDB)
			// Bands that a filter takes away set no level. B is on A's level already.
			if math.Abs(b.responseDB) < mostLevelDB {
				near, upperNear = append(near, b.responseDB), append(upperNear, b.upperDB)
			}
		}
	}
	if len(near) > 0 {
		all, upper = near, upperNear
	}
	if len(followed) == 0 {
		return nil, 0
	}
	sort.Float64s(all)
	sort.Float64s(upper)
	medianDB = all[len(all)/2]
	for i := range followed {
		followed[i].responseDB -= medianDB
		followed[i].upperDB -= upper[len(upper)/2]
	}
	return followed, medianDB
}

func (c *Comparison) addResponse(r *measure.Readings, reason string) {
	about := measure.Reading{Reason: reason, Unit: "dB", Reference: "the median of the bands", Bandwidth: "third octaves, IEC 61260-1", Definition: fmt.Sprintf("largest difference of response: what of B follows A, against A (H1), where A has more than %d dB of its loudest band and the coherence is %g or more", bandLeastDB, bandLeastCoherence)}
	largest := band{}
	followed, _ := c.followedBands()
	for _, b := range followed {
		if math.Abs(b.responseDB) > math.Abs(largest.responseDB) {
			largest = b
		}
	}
	if reason == "" && len(followed) == 0 {
		about.Reason = "no band in which B follows A"
	}
	at := about
	about.Value = largest.responseDB
	r.Add("response_difference_db", about)
	at.Value, at.Unit, at.Definition = largest.hz, "Hz", "middle of the band where that is"
	if at.Reason == "" && largest.hz == 0 {
		at.Reason = "no difference"
	}
	r.Add("response_difference_hz", at)
	if c.spectrum == nil {
		return
	}
	for _, b := range c.spectrum.bands() {
		r.AddLevel(fmt.Sprintf("residual_%dhz_dbfs", spectra.NominalHz(b.hz)), b.e, measure.Reading{Reason: cmp.Or(reason, c.spectrum.uneven), Unit: "dBFS", Reference: "mathematical rms against digital full scale, on A's level", Bandwidth: "third octave, IEC 61260-1", Definition: "the difference in this band"})
	}
}

// addDifferences adds B's readings less A's, but for a brief comparison, which has none.
func (c *Comparison) addDifferences(r *measure.Readings, reason string) {
	if reason == "" && c.a == nil {
		return
	}
	for _, d := range [][3]string{
		{"integrated_difference_lu", "integrated_lufs", "LU"}, {"range_difference_lu", "loudness_range_lu", "LU"},
		{"sample_peak_difference_db", "sample_peak_dbfs", "dB"}, {"true_peak_difference_db", "true_peak_fine_dbtp", "dB"},
		{"noise_floor_difference_db", "noise_floor_dbfs", "dB"}, {"noise_floor_a_difference_db", "noise_floor_a_dbfs", "dB"},
	} {
		about := measure.Reading{Reason: reason, Unit: d[2], Reference: "A", Definition: d[1] + " of B less that of A, each of the whole file as it is"}
		a, okA := c.a.Get(d[1])
		b, okB := c.b.Get(d[1])
		switch {
		case reason != "":
		case !okA || !a.Measurable():
			about.Reason = "of A: " + a.Reason
		case !okB || !b.Measurable():
			about.Reason = "of B: " + b.Reason
		default:
			about.Value = b.Value - a.Value
		}
		r.Add(d[0], about)
	}
}
