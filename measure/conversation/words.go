package conversation

import (
	"fmt"
	"strings"
)

// Text describes the conversation as text: the voices, their paths, and the pairs of
// microphones.
func (c *Conversation) Text() string {
	var b strings.Builder
	width := 0
	for _, m := range c.Microphones {
		width = max(width, len(m.Name))
	}
	for _, m := range c.Microphones {
		fmt.Fprintf(&b, "%-*s  voice ", width, m.Name)
		if m.LoudnessLUFS != nil {
			fmt.Fprintf(&b, "%.1f LUFS, alone for %.1f s\n", *m.LoudnessLUFS, m.AloneSeconds)
		} else {
			fmt.Fprintf(&b, "not found: %s\n", m.Reason)
		}
	}
	if c.LevelDifferenceLU != nil {
		fmt.Fprintf(&b, "the voices differ by %.1f LU\n", *c.LevelDifferenceLU)
	}
	for _, p := range c.Paths {
		fmt.Fprintf(&b, "voice of %s in %s: ", c.Microphones[p.Voice].Name, c.Microphones[p.Microphone].Name)
		if p.BleedAtMostDB != nil {
			fmt.Fprintf(&b, "%s, at most %.1f dB%s\n", noneFound, *p.BleedAtMostDB, strings.TrimPrefix(p.Reason, noneFound))
			continue
		}
		if strings.HasPrefix(p.Reason, noneFound) {
			fmt.Fprintln(&b, p.Reason)
			continue
		}
		if p.BleedDB == nil {
			fmt.Fprintf(&b, "not measurable: %s\n", p.Reason)
			continue
		}
		fmt.Fprintf(&b, "bleed %.1f ± %.1f dB, ", *p.BleedDB, twice(p.BleedDeviationDB))
		if p.DelayFrames == nil {
			b.WriteString(p.Reason)
		} else {
			b.WriteString(c.later(*p.DelayFrames, twice(p.DelayDeviationFrames)))
		}
		if *p.Inverted {
			b.WriteString(", inverted")
		}
		b.WriteString("\n")
	}
	for _, p := range c.Pairs {
		if said := c.pairText(p); said != "" {
			fmt.Fprintf(&b, "%s against %s: %s\n", c.Microphones[p.B].Name, c.Microphones[p.A].Name, said)
		}
	}
	return b.String()
}

// twice returns two standard errors; 19 of 20 readings lie within.
func twice(deviation *float64) float64 { return 2 * *deviation }

func (c *Conversation) later(frames, off float64) string {
	word := "later"
	if frames < 0 {
		frames, word = -frames, "earlier"
	}
	within := ""
	if off > 0 {
		within = fmt.Sprintf(" ± %.2f", max(0.01, off))
	}
	return fmt.Sprintf("%.2f%s frames (%.2f ms) %s", frames, within, 1000*frames/float64(c.Rate), word)
}

// pairText states offset, drift and polarity of two microphones, or why they are undecided; ""
// where the reasons of the paths are enough.
func (c *Conversation) pairText(p Pair) string {
	if p.DriftPPM == nil && p.Inverted == nil && p.Reason != noSharedSound {
		return ""
	}
	var parts []string
	if p.OffsetFrames != nil {
		parts = append(parts, c.later(*p.OffsetFrames, 0)+" for a sound halfway between them")
		parts = append(parts, fmt.Sprintf("sound takes %.2f ms from one to the other", 1000**p.PathFrames/float64(c.Rate)))
	}
	if p.DriftPPM != nil {
		within := max(0.01, twice(p.DriftDeviationPPM))
		if *p.DriftPPM == 0 {
			parts = append(parts, fmt.Sprintf("no drift (± %.2f ppm)", within))
		} else {
			parts = append(parts, fmt.Sprintf("its clock drifts by %+.2f ± %.2f ppm", *p.DriftPPM, within))
		}
	}
	if p.Inverted != nil && *p.Inverted {
		parts = append(parts, "its polarity is inverted: invert one of them before they are mixed")
	}
	if p.Reason != "" {
		parts = append(parts, p.Reason)
	}
	return strings.Join(parts, "; ")
}
