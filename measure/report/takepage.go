package report

import (
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/picture"
)

// Page is the page of a take: can it be delivered; if not, what has to change, and where to
// listen.
func (t *Take) Page() Page {
	p := Page{Title: "Take: " + t.Before.name}
	p.Verdict, p.Answer, p.Do = t.answer()
	p.About = fmt.Sprintf("%s, %s; %s.", measure.TimeCode(t.Before.frames, t.Before.format.Rate), t.Before.format, t.how())
	for _, f := range t.Inspection.Findings {
		if f.Severity == measure.Fault {
			p.Do = append(p.Do, fmt.Sprintf("The take itself: %s. %s.", f.What, upper(f.Do)))
		}
	}
	rate := t.After.format.Rate
	if len(t.Judgements) > 0 {
		p.Sections = append(p.Sections, Section{Title: "Limits", Text: t.limitsText(), Table: t.limitsTable()})
	}
	p.Sections = append(p.Sections, Section{Title: "Loudness"})
	over := &p.Sections[len(p.Sections)-1]
	over.Pictures = append(over.Pictures, Loudness(t.After.loudness, t.After.readings, t.limit("integrated_lufs")))
	if len(t.Gains) > 0 {
		over.Title = "Loudness and gains"
		over.Pictures = append(over.Pictures, Gains(t.Before.envelope, t.After.envelope, rate, t.After.frames, t.Gains))
	}
	where := Section{Title: "Where to listen"}
	if t.After.overCount > 0 {
		where.Text = fmt.Sprintf("The sound exceeds %g dBTP at %s; the worst come first.", t.ceiling(), dsp.Plural(t.After.overCount, "place"))
	} else {
		where.Text = fmt.Sprintf("The sound stays below %g dBTP.", t.ceiling())
	}
	for i, w := range t.Worst {
		name := fmt.Sprintf("place-%d", i+1)
		where.Pictures = append(where.Pictures, Around(name, w.title, minus(w.says), w.envelope, rate, w.from, float64(w.frame)/float64(rate), w.seconds))
		if w.stretch != nil {
			says := fmt.Sprintf("%d samples of channel %d around that place, and the waveform between them.", len(w.stretch.Samples), w.channel+1)
			where.Pictures = append(where.Pictures, BetweenSamples(name+"-samples", "The same place, sample by sample", says, *w.stretch, t.ceiling()))
		}
	}
	p.Sections = append(p.Sections, where)
	p.Sections = append(p.Sections, Section{Title: "What changed", Pictures: append(t.bandsPictures(), Wave(t.Before.envelope, rate, t.Before.frames, t.Inspection))})
	if noise, ok := Noise(t.Inspection); ok {
		p.Sections[len(p.Sections)-1].Pictures = append(p.Sections[len(p.Sections)-1].Pictures, noise)
	}
	if t.between != nil {
		p.Sections[len(p.Sections)-1].Pictures = slices.Insert(p.Sections[len(p.Sections)-1].Pictures, 1, Residual(*t.between, t.betweenCaption))
	}
	p.Sections[len(p.Sections)-1].Title = "What changed, and the take as it was"
	if len(t.Inspection.Findings) > 0 {
		p.Sections = append(p.Sections, Section{Title: "What the inspection of the take found", Table: t.findingsTable()})
	}
	p.Sections = append(p.Sections, Section{Title: "All readings", Table: readingsTable([]string{t.Before.name, t.afterHead()}, t.Before.readings, t.After.readings)})
	p.Sections = append(p.Sections, meanings(t.Before.readings, t.After.readings))
	return p.withRepeat(t.repeat(), t.ChainText)
}

func (t *Take) bandsPictures() (all []picture.Picture) {
	if len(t.Before.bands) == 0 || len(t.After.bands) == 0 {
		return nil
	}
	return []picture.Picture{Bands(t.Before.bands, t.After.bands)}
}

// answer is the first sentence.
func (t *Take) answer() (measure.Verdict, string, []string) {
	loudness, _ := t.After.readings.Get("integrated_lufs")
	peak, _ := t.After.readings.Get("true_peak_fine_dbtp")
	figures := fmt.Sprintf("integrated loudness %s, true peak %s", loudness, peak)
	if len(t.Judgements) == 0 {
		return measure.Undecided, fmt.Sprintf("No limits were given, so this page cannot say whether to deliver; %s.", figures), nil
	}
	var failed, open, do []string
	for _, j := range t.Judgements {
		switch j.Verdict {
		case measure.Fail:
			failed = append(failed, j.Reading)
			do = append(do, fmt.Sprintf("%s is %s; the limit is %s: %s.", j.Reading, j.Got, bounds(j.Limit, j.Got.Unit).Text, j.Do()))
		case measure.Undecided:
			open = append(open, j.Reading)
			do = append(do, fmt.Sprintf("%s: %s.", j.Reading, j.Got))
		}
	}
	switch {
	case failed != nil:
		return measure.Fail, fmt.Sprintf("Do not deliver %s yet: %d of %s not met (%s); %s.", t.result(), len(failed), dsp.Plural(len(t.Judgements), "limit"), strings.Join(failed, ", "), figures), do
	case open != nil:
		return measure.Undecided, fmt.Sprintf("Whether to deliver is open: %d of %s could not be measured (%s); %s.", len(open), dsp.Plural(len(t.Judgements), "limit"), strings.Join(open, ", "), figures), do
	}
	return measure.Pass, fmt.Sprintf("Deliver %s: %s; %s.", t.result(), allMet(len(t.Judgements)), figures), nil
}

// allMet is the phrase for a number of limits that are all met.
func allMet(limits int) string {
	if limits == 1 {
		return "its limit is met"
	}
	return fmt.Sprintf("all %d limits are met", limits)
}

// result names the sound to be delivered. With a chain there is no file yet.
func (t *Take) result() string {
	if t.Chain != nil {
		return fmt.Sprintf("%s processed through %s", t.Before.name, filepath.Base(t.Chain.Path))
	}
	return t.After.name
}

// afterHead is the table heading of the processed sound.
func (t *Take) afterHead() string {
	if t.Chain != nil {
		return "through " + filepath.Base(t.Chain.Path)
	}
	return t.After.name
}

// how is the phrase on how the two sounds are related.
func (t *Take) how() string {
	if t.Chain != nil {
		return fmt.Sprintf("processed through %s", filepath.Base(t.Chain.Path))
	}
	return "compared with " + t.After.name
}

func (t *Take) limitsText() string {
	if t.Limits.Name != "" {
		return "From " + filepath.Base(t.Limits.Path) + ", " + t.Limits.Name + "."
	}
	return "From " + filepath.Base(t.Limits.Path) + "."
}

func (t *Take) limitsTable() *Table {
	table := &Table{Head: []string{"reading", "before", "after", "limit", "verdict"}}
	for _, j := range t.Judgements {
		before := text("")
		if r, ok := t.Before.readings.Get(j.Reading); ok {
			before = figure(r)
		}
		verdict := sign(j.Verdict)
		if do := j.Do(); do != "" {
			verdict += ": " + do
		}
		table.Rows = append(table.Rows, []Cell{text(j.Reading), before, figure(j.Got), bounds(j.Limit, j.Got.Unit), text(verdict)})
	}
	return table
}

func (t *Take) findingsTable() *Table {
	table := &Table{Head: []string{"severity", "found", "where", "what to do"}}
	for _, f := range t.Inspection.Findings {
		where := ""
		if f.Frame >= 0 {
			where = measure.TimeCode(f.Frame, t.Before.format.Rate)
		}
		if f.Channel >= 0 && t.Before.format.Channels > 1 {
			where = strings.TrimSpace(fmt.Sprintf("%s channel %d", where, f.Channel+1))
		}
		table.Rows = append(table.Rows, []Cell{text(f.Severity.String()), text(minus(f.What)), text(where), text(minus(f.Do))})
	}
	return table
}

// repeat is the program, digests and commands to make the page again.
func (t *Take) repeat() []string {
	steps := []string{t.Version, fmt.Sprintf("%s  sha256 %s", t.Before.name, t.Before.digest)}
	if t.Chain != nil {
		steps = append(steps, fmt.Sprintf("boothbench process %s --chain %s --out %s", t.Before.name, filepath.Base(t.Chain.Path), t.After.name))
	}
	steps = append(steps, fmt.Sprintf("%s  sha256 %s", t.After.name, t.After.digest))
	return append(steps, fmt.Sprintf("boothbench inspect %s", t.Before.name), fmt.Sprintf("boothbench meter %s %s", t.Before.name, t.After.name))
}
