package compare

import (
	"fmt"
	"math"
	"strings"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/internal/spectra"
)

// What is worth a word in a summary.
const (
	toldGainDB     = 0.005
	toldChannelDB  = 0.1 // between channels
	toldResponseDB = 0.05
	toldFrames     = 0.02 // a filter's phase shifts as much
	roundingDBFS   = -140 // what lies under it is the rounding of 24 bits
	follows        = 0.8  // of a channel's rms: where less of it follows A, its gain says nothing
)

// Summary says in one line how B differs from A: "B is 14 frames later, 1.30 dB
// quieter, 0.8 dB down above 9 kHz; the rest is at -101.2 dBFS".
func (c *Comparison) Summary() string {
	switch {
	case !c.Same:
		return "A and B are different sounds: " + c.whyDifferent()
	case c.totals == nil || c.To == c.From:
		return "A and B have no frame in common"
	}
	var told, response []string
	told = append(told, c.tellTime()...)
	if c.channelsDiffer() {
		told = append(told, c.tellChannels()...)
	} else {
		if c.place.inverted {
			told = append(told, "inverted in polarity")
		}
		response = c.tellResponse() // of bands, which are of all channels together
		told = append(append(told, c.tellLevel()...), response...)
	}
	if n := c.totals.dropouts[1]; n.count > 0 {
		told = append(told, "gone "+c.tellPlaces(n))
	}
	if n := c.totals.dropouts[0]; n.count > 0 {
		told = append(told, "there where A is gone, "+c.tellPlaces(n))
	}
	rest := c.tellRest(len(response) > 0)
	if len(told) == 0 {
		if rest == "" && c.totals.changed == 0 {
			if missing, extra := c.uncovered(); missing+extra > 0 {
				return "A and B are the same where both are" + c.tellLength()
			}
			return "A and B are the same, sample by sample" + c.tellLength()
		}
		told = append(told, "as loud as A and in time")
	}
	text := "B is " + strings.Join(told, ", ")
	if rest == "" {
		rest = "no other difference"
	}
	return text + "; " + rest + c.tellLength()
}

// whyDifferent tells why the two are not taken for one sound.
func (c *Comparison) whyDifferent() string {
	switch {
	case c.silent[0]:
		return "A is silent"
	case c.silent[1]:
		return "B is silent"
	case math.IsInf(c.needed, 1):
		return "they have too few frames in common to tell more"
	}
	return fmt.Sprintf("they correlate by %.2f at best; over so long a passage %.2f and more are accepted", math.Abs(c.Similarity), c.needed)
}

func (c *Comparison) tellPlaces(d dropouts) string {
	at := measure.TimeCode(d.first, c.Rate)
	if d.count == 1 {
		return fmt.Sprintf("for about %d ms at %s", d.longest+1, at)
	}
	return fmt.Sprintf("in %d places for about %d ms at most, first at %s", d.count, d.longest+1, at)
}

// tellTime tells of delay and drift.
func (c *Comparison) tellTime() []string {
	var told []string
	delay := c.place.Delay + (c.place.Speed-1)*float64(c.From+c.To)/2
	if text := strings.TrimSuffix(strings.TrimRight(fmt.Sprintf("%.2f", math.Abs(delay)), "0"), "."); math.Abs(delay) >= toldFrames {
		word := "later"
		if delay < 0 {
			word = "earlier"
		}
		plural := "s"
		if text == "1" {
			plural = ""
		}
		told = append(told, fmt.Sprintf("%s frame%s %s", text, plural, word))
	}
	if ppm := (c.place.Speed - 1) * 1e6; ppm != 0 {
		word := "longer"
		if ppm < 0 {
			word = "shorter"
		}
		told = append(told, fmt.Sprintf("%.2f ppm %s", math.Abs(ppm), word))
	}
	return told
}

// tellLevel tells of the gain.
func (c *Comparison) tellLevel() []string {
	gain := c.gain
	if c.match == LevelsAsTheyAre {
		gain = c.leastSquaresGain()
	}
	db, of := dsp.AmplitudeToDB(math.Abs(gain)), ""
	if bands, medianDB := c.heardBands(); len(c.tellResponse()) > 0 && len(bands) > 0 {
		// What the response is told against.
		db, of = dsp.AmplitudeToDB(math.Abs(c.gain))+medianDB, " in the median third octave"
	}
	if !(math.Abs(db) >= toldGainDB) || math.IsInf(db, 0) {
		return nil
	}
	word := "louder"
	if db < 0 {
		word = "quieter"
	}
	return []string{fmt.Sprintf("%.2f dB %s%s", math.Abs(db), word, of)}
}

// channelsDiffer tells whether something happened to one channel and not to another.
func (c *Comparison) channelsDiffer() bool {
	least, most := math.Inf(1), math.Inf(-1)
	for _, g := range c.gains {
		if g-g == 0 { // NaN: silent in A
			least, most = min(least, g), max(most, g)
		}
	}
	return least < most && (least*most <= 0 || math.Abs(dsp.AmplitudeToDB(most/least)) >= toldChannelDB)
}

// tellChannels tells of the polarity and the gain of each channel.
func (c *Comparison) tellChannels() (told []string) {
	for i, g := range c.gains {
		db := dsp.AmplitudeToDB(math.Abs(g))
		var what []string
		if !c.follows(i) {
			told = append(told, fmt.Sprintf("in channel %d another sound, or the same at another time", i+1))
			continue
		}
		if g < 0 {
			what = append(what, "inverted")
		}
		switch {
		case g == 0:
			what = append(what, "silent")
		case db >= toldGainDB:
			what = append(what, fmt.Sprintf("%.2f dB louder", db))
		case db <= -toldGainDB:
			what = append(what, fmt.Sprintf("%.2f dB quieter", -db))
		}
		if len(what) > 0 {
			told = append(told, fmt.Sprintf("in channel %d %s", i+1, strings.Join(what, " and ")))
		}
	}
	return told
}

// tellResponse tells of bands that lie higher or lower: at an end of the spectrum
// as a whole, in its middle by the largest.
func (c *Comparison) tellResponse() []string {
	bands, _ := c.heardBands()
	if len(bands) < 3 {
		return nil
	}
	off := func(b band) bool { return math.Abs(b.responseDB) >= toldResponseDB }
	// An end of the spectrum goes as far as a quarter of what it is off by at the end.
	with := func(b, end band) bool { return off(b) && b.responseDB/end.responseDB >= 0.25 }
	first, last := 0, len(bands)-1
	for first < len(bands) && with(bands[first], bands[0]) {
		first++
	}
	for last >= first && with(bands[last], bands[len(bands)-1]) {
		last--
	}
	var told []string
	say := func(b band, where string) {
		word := "up"
		if b.responseDB < 0 {
			word = "down"
		}
		told = append(told, fmt.Sprintf("%s %s %s", someDB(math.Abs(b.responseDB)), word, where))
	}
	if first > last { // everywhere
		largest := bands[0]
		for _, b := range bands {
			if math.Abs(b.responseDB) > math.Abs(largest.responseDB) {
				largest = b
			}
		}
		say(largest, "at "+spectra.HzText(float64(spectra.NominalHz(largest.hz))))
		return told
	}
	if first > 0 {
		say(bands[0], "below "+spectra.HzText(float64(spectra.NominalHz(bands[first].hz))))
	}
	middle := band{}
	for _, b := range bands[first : last+1] {
		if off(b) && math.Abs(b.responseDB) > math.Abs(middle.responseDB) {
			middle = b
		}
	}
	if middle.hz > 0 {
		say(middle, "around "+spectra.HzText(float64(spectra.NominalHz(middle.hz))))
	}
	if last < len(bands)-1 {
		say(bands[len(bands)-1], "above "+spectra.HzText(float64(spectra.NominalHz(bands[last].hz))))
	}
	return told
}

func someDB(db float64) string {
	if db < 0.95 {
		return fmt.Sprintf("%.2g dB", db)
	}
	return fmt.Sprintf("%.1f dB", db)
}

// tellRest tells of what is left, "" for nothing. With a change of response, what
// it does not explain is meant.
func (c *Comparison) tellRest(withoutResponse bool) string {
	n := float64((c.To - c.From) * int64(c.Channels))
	level := planes.Sum(c.totals.ee) / n
	if c.channelsDiffer() {
		level = c.restOfChannels() / n
	}
	if level == 0 {
		return ""
	}
	text := "the rest is"
	switch {
	case withoutResponse:
		text = "what this does not explain is"
		level = c.spectrum.unexplained()
	case dsp.PowerToDB(level) < roundingDBFS:
	case c.totals.windows.steady():
		text = "the rest is like noise,"
		if bands, _ := c.heardBands(); len(bands) > 0 {
			text = "no change of response; the rest is like noise,"
		}
	}
	db := dsp.PowerToDB(level)
	if db < roundingDBFS {
		return fmt.Sprintf("%s below %d dBFS", text, roundingDBFS)
	}
	return fmt.Sprintf("%s at %.1f dBFS", text, db)
}

// follows tells whether a channel of B is that of A with a gain, and not another
// sound or the same at another time: then least squares and the rms agree.
func (c *Comparison) follows(channel int) bool {
	t, g := c.totals, c.gains[channel]
	return g-g != 0 || math.Abs(g) >= follows*math.Abs(c.gain)*math.Sqrt(t.yy[channel]/max(t.xx[channel], math.SmallestNonzeroFloat64))
}

// restOfChannels is what is left of the difference, summed, with each channel's own
// gain taken out: that was told.
func (c *Comparison) restOfChannels() (sum float64) {
	t := c.totals
	for i, g := range c.gains {
		if g == 0 || g-g != 0 { // silent, which is told
			continue
		}
		if !c.follows(i) {
			sum += t.ee[i]
			continue
		}
		own := c.gain / g
		rest := own*own*t.yy[i] - own*(t.xx[i]+t.yy[i]-t.ee[i]) + t.xx[i]
		if rest > 1e-12*t.xx[i] { // less is rounding
			sum += rest
		}
	}
	return sum
}

// tellLength tells of what was not compared.
func (c *Comparison) tellLength() string {
	if c.From == 0 && c.To == c.FramesA && c.FramesA == c.FramesB {
		return ""
	}
	text := ""
	missing, extra := c.uncovered()
	seconds := func(frames int64) string {
		switch {
		case frames == 1:
			return "1 frame"
		case frames < int64(c.Rate)/100:
			return fmt.Sprintf("%d frames", frames)
		}
		return fmt.Sprintf("%.3g s", float64(frames)/float64(c.Rate))
	}
	if missing > 0 {
		text += fmt.Sprintf("; %s of A are missing in B", seconds(missing))
	}
	if extra > 0 {
		text += fmt.Sprintf("; %s of B are not in A", seconds(extra))
	}
	return text + fmt.Sprintf(" (compared: frames %d to %d of A's %d; B has %d)", c.From, c.To, c.FramesA, c.FramesB)
}
