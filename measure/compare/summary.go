package compare

import (
	"fmt"
	"math"
	"strings"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/internal/spectra"
)

// Summary states in one sentence how B differs from A: "B is 14 frames later, 1.30
// dB quieter, 0.8 dB down above 9 kHz; the rest is at -101.2 dBFS".
func (c *Comparison) Summary() string {
	switch {
	case !c.Same:
		return c.whyDifferent()
	case c.totals == nil || c.To == c.From:
		return "A and B have no frame in common"
	}
	var is, has []string
	rest := "no other difference"
	explained, named := false, false
	for _, d := range c.Differences() {
		verb, text := d.clause()
		switch {
		case d.Kind == Noise && d.In == "" || d.Kind == Rest:
			rest = "" // below
		case d.Kind == Missing || d.Kind == Extra:
			// with the frames that were compared, at the end
		case verb == "is":
			is = append(is, text)
		default:
			has = append(has, text)
		}
		switch d.Kind {
		case Band, LowPass, HighPass, Offset, Tone, Hum:
			explained = true
		case PartInverted, LevelStep, Fade, Clipped, Click, Dropout, Compression, Expansion:
			named = true
		}
	}
	if rest == "" {
		rest = c.restText(explained, named)
	} else if len(is)+len(has) == 0 {
		if c.totals.changed == 0 {
			if missing, extra := c.uncovered(); missing+extra > 0 {
				return "A and B are the same where both are" + c.lengthText()
			}
			return "A and B are the same, sample by sample" + c.lengthText()
		}
	}
	if len(is)+len(has) == 0 {
		is = []string{"as loud as A and in time"}
	}
	clauses := []string{}
	if len(is) > 0 {
		clauses = append(clauses, "is "+strings.Join(is, ", "))
	}
	if len(has) > 0 {
		clauses = append(clauses, "has "+strings.Join(has, " and "))
	}
	return "B " + strings.Join(clauses, "; it ") + "; " + rest + c.lengthText()
}

// whyDifferent states why the two are not accepted as one sound.
func (c *Comparison) whyDifferent() string {
	const different = "A and B are different sounds: "
	switch {
	case c.order != nil:
		return "A and B have their channels in different orders: B " + Sentence(c.orderDifferences())[len("B "):] + "; bring them into one order to compare them"
	case c.silent[0]:
		return different + "A is silent"
	case c.silent[1]:
		return different + "B is silent"
	case c.scattered:
		return fmt.Sprintf("%sno alignment was found; one passage correlates by %.2f, but not the rest", different, math.Abs(c.Similarity))
	case math.IsInf(c.needed, 1):
		return fmt.Sprintf("%sthey have too few frames in common to compare; at least %d are needed", different, leastFrames)
	}
	return fmt.Sprintf("%sthey correlate by %.2f at best; over so long a passage %.2f and more are accepted", different, math.Abs(c.Similarity), c.needed)
}

// restText states the residual. With a change of response, an offset or tones, it is what
// these do not explain: unexplained_dbfs. Other changes that were named one by one (clicks, tones, steps …) are
// still in the difference.
func (c *Comparison) restText(explained, named bool) string {
	db, steady, _ := c.rest(explained)
	text := "the rest is"
	switch {
	case explained:
		text = "what this does not explain is"
	case named:
		text = "in all the difference is"
	case db < roundingDBFS:
	case steady:
		text = "the rest is like noise,"
		if bands, _ := c.followedBands(); len(bands) > 0 {
			text = "no change of response; the rest is like noise,"
		}
	}
	if db < roundingDBFS {
		return fmt.Sprintf("%s below %d dBFS", text, roundingDBFS)
	}
	return fmt.Sprintf("%s at %.1f dBFS", text, db)
}

// lengthText states which parts were not compared.
func (c *Comparison) lengthText() string {
	if c.From == 0 && c.To == c.FramesA && c.FramesA == c.FramesB {
		return ""
	}
	text := ""
	missing, extra := c.uncovered()
	seconds := func(frames int64) string {
		switch {
		case frames < int64(c.Rate)/100:
			return dsp.Plural(frames, "frame")
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

// bandHz is a band's nominal frequency.
func bandHz(b band) float64 { return float64(spectra.NominalHz(b.hz)) }
