package conversation

import (
	"encoding/csv"
	"io"
	"strconv"
)

// WriteCSV writes a row for each voice and each other microphone (RFC 4180). The columns have
// the names of the readings in JSON, with a column of its own for a bound of the bleed. A
// missing reading is an empty field.
func (c *Conversation) WriteCSV(w io.Writer) error {
	out := csv.NewWriter(w)
	out.Write([]string{"voice", "microphone", "voice_lufs", "bleed_db", "bleed_at_most_db", "bleed_deviation_db", "delay_frames", "delay_deviation_frames", "inverted", "reason", "drift_ppm", "drift_deviation_ppm", "drift_reason"})
	number := func(v *float64) string {
		if v == nil {
			return ""
		}
		return strconv.FormatFloat(*v, 'f', -1, 64)
	}
	for _, p := range c.Paths {
		own := c.Microphones[p.Voice]
		inverted := ""
		if p.Inverted != nil {
			inverted = strconv.FormatBool(*p.Inverted)
		}
		drift, deviation, reason := c.driftOf(p)
		out.Write([]string{own.Name, c.Microphones[p.Microphone].Name, number(own.LoudnessLUFS),
			number(p.BleedDB), number(p.BleedAtMostDB), number(p.BleedDeviationDB), number(p.DelayFrames), number(p.DelayDeviationFrames), inverted, p.Reason,
			number(drift), number(deviation), reason})
	}
	out.Flush()
	return out.Error()
}

// driftOf returns by how much the clock of a path's microphone runs faster than that of the
// voice's own one.
func (c *Conversation) driftOf(p Path) (ppm, deviation *float64, reason string) {
	for _, pair := range c.Pairs {
		switch {
		case pair.A == p.Voice && pair.B == p.Microphone:
			return pair.DriftPPM, pair.DriftDeviationPPM, pair.Reason
		case pair.B == p.Voice && pair.A == p.Microphone:
			if pair.DriftPPM == nil {
				return nil, nil, pair.Reason
			}
			back := 0 - *pair.DriftPPM // avoids −0 where there is no drift
			return &back, pair.DriftDeviationPPM, pair.Reason
		}
	}
	return nil, nil, ""
}
