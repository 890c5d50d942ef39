package season

import (
	"fmt"
	"strings"

	"github.com/boothbench/boothbench/measure/picture"
	"github.com/boothbench/boothbench/measure/report"
)

// conversationSections returns the section of each conversation: its voices, their paths into
// the other microphones, and the pairs of microphones.
func (t *Table) conversationSections() (all []report.Section) {
	for _, c := range t.Conversations {
		s := report.Section{Title: fmt.Sprintf("Conversation “%s”", c.Name), Text: string(c.State)}
		if c.Note != "" {
			s.Text += ": " + c.Note
		}
		if c.Found == nil {
			all = append(all, s)
			continue
		}
		var sentences []string
		if d := c.Found.LevelDifferenceLU; d != nil {
			sentences = append(sentences, fmt.Sprintf("The voices differ by %.1f LU in the takes.", *d))
		}
		if lufs := c.Found.LinkedLUFS; lufs != nil {
			sentences = append(sentences, fmt.Sprintf("The outputs have one gain and %.2f LUFS together.", *lufs))
		}
		if m := c.Found.Mix; m != nil {
			sentences = append(sentences, fmt.Sprintf("The mix is %s, with %s.", m.Output, m.Text()))
			if m.Missed != "" {
				sentences = append(sentences, m.Missed+".")
			}
		}
		s.Text = picture.Minus(strings.Join(sentences, " "))
		s.Table = &report.Table{Head: []string{"microphone", "loudness of its voice", "speaks alone for"}}
		for _, m := range c.Found.Microphones {
			cells := []report.Cell{{Text: m.Name}, {Text: m.Reason}, figure(m.AloneSeconds, "s")}
			if m.LoudnessLUFS != nil {
				cells[1] = figure(*m.LoudnessLUFS, "LUFS")
			}
			s.Table.Rows = append(s.Table.Rows, cells)
		}
		paths := report.Section{Title: fmt.Sprintf("Conversation “%s”: bleed and delay", c.Name), Table: &report.Table{Head: []string{"voice of", "bleeds into", "bleed", "delay there", "polarity there"}}}
		paths.Text = "The figure after ± is twice the standard error: 19 of 20 readings lie within."
		for _, p := range c.Found.Paths {
			cells := []report.Cell{{Text: c.Found.Microphones[p.Voice].Name}, {Text: c.Found.Microphones[p.Microphone].Name}, {Text: p.Reason}, {}, {}}
			if p.BleedAtMostDB != nil {
				cells[2] = report.Cell{Text: picture.Minus(fmt.Sprintf("none found, at most %.1f dB", *p.BleedAtMostDB))}
			}
			if p.BleedDB != nil {
				polarity := "the same"
				if *p.Inverted {
					polarity = "inverted"
				}
				cells[2], cells[3], cells[4] = within("%.1f ± %.1f dB", *p.BleedDB, p.BleedDeviationDB, 0.1), report.Cell{Text: p.Reason}, report.Cell{Text: polarity}
				if p.DelayFrames != nil {
					cells[3] = within("%.2f ± %.2f frames", *p.DelayFrames, p.DelayDeviationFrames, 0.01)
				}
			}
			paths.Table.Rows = append(paths.Table.Rows, cells)
		}
		clocks := report.Section{Title: fmt.Sprintf("Conversation “%s”: clocks", c.Name), Text: "A sound halfway between two microphones is later in the second one, on the assumption that the two voices' paths are equally long.",
			Table: &report.Table{Head: []string{"microphone", "relative to", "delay", "path between them", "clock drift"}}}
		for _, p := range c.Found.Pairs {
			cells := []report.Cell{{Text: c.Found.Microphones[p.B].Name}, {Text: c.Found.Microphones[p.A].Name}, {}, {}, {Text: "none"}}
			switch {
			case p.DriftPPM == nil:
				cells[4] = report.Cell{Text: p.Reason}
			case *p.DriftPPM != 0:
				cells[4] = within("%+.2f ± %.2f ppm", *p.DriftPPM, p.DriftDeviationPPM, 0.01)
			default:
				cells[4].Text += fmt.Sprintf(" (± %.2f ppm)", max(0.01, 2**p.DriftDeviationPPM))
			}
			if p.OffsetFrames != nil {
				cells[2], cells[3] = figure(*p.OffsetFrames, "frames"), figure(*p.PathFrames, "frames")
			}
			clocks.Table.Rows = append(clocks.Table.Rows, cells)
		}
		all = append(all, s, paths, clocks)
	}
	return all
}

// within is a cell with a figure and twice its standard error, at least its last digit: 19 of 20
// readings lie within.
func within(format string, v float64, deviation *float64, digit float64) report.Cell {
	return report.Cell{Text: picture.Minus(fmt.Sprintf(format, v, max(digit, 2**deviation))), Figure: true}
}

// conversationsMissing returns the number of conversations that are not done.
func (t *Table) conversationsMissing() (n int) {
	for _, c := range t.Conversations {
		if c.State != Made {
			n++
		}
	}
	return n
}

// advice states what to do about a conversation before its takes are mixed.
func (c *ConversationRow) advice() (do []string) {
	switch {
	case c.State == Missing:
		return []string{fmt.Sprintf("Conversation %s: season run measures it once its takes are done.", c.Name)}
	case c.Found == nil:
		return []string{fmt.Sprintf("Conversation %s: %s.", c.Name, c.Note)}
	}
	if c.UnequalLengths != "" {
		do = append(do, fmt.Sprintf("Conversation %s: %s; check that none has stopped early.", c.Name, c.UnequalLengths))
	}
	for _, p := range c.Found.Pairs {
		a, b := c.Found.Microphones[p.A].Name, c.Found.Microphones[p.B].Name
		if p.Inverted != nil && *p.Inverted {
			do = append(do, fmt.Sprintf("Conversation %s: %s is inverted against %s; invert one of them before they are mixed.", c.Name, b, a))
		}
		if p.DriftPPM != nil && *p.DriftPPM != 0 {
			do = append(do, fmt.Sprintf("Conversation %s: the clock of %s drifts by %+.2f ppm against %s; bring them to one clock before they are mixed.", c.Name, b, *p.DriftPPM, a))
		}
	}
	return do
}
