package chain

import (
	"errors"
	"fmt"
	"math"
	"sort"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2/unstable"

	"github.com/boothbench/boothbench/dsp"
)

// schemaVersion is the version of the chain file that this package reads.
const schemaVersion = 1

// reader checks a document against the tables and gathers every problem.
type reader struct {
	doc      *document
	problems []Problem
}

func (r *reader) report(at int, key, found, accepted, hint string) {
	r.problems = append(r.problems, r.doc.problem(at, key, found, accepted, hint))
}

// failure is what was found, in the order of the text.
func (r *reader) failure() *FileError {
	sort.SliceStable(r.problems, func(i, j int) bool {
		a, b := r.problems[i], r.problems[j]
		return a.Line < b.Line || a.Line == b.Line && a.Column < b.Column
	})
	return &FileError{r.doc.path, r.problems}
}

// chain reads the whole document into c.
func (r *reader) chain(c *Chain) {
	schema := false
	r.each(r.doc.root, func(e entry) {
		switch e.key {
		case "schema":
			schema = true
			if n, ok := r.integer(e, "1"); ok && n != schemaVersion {
				hint := ""
				if n > schemaVersion {
					hint = "the file was written for a newer version of this program"
				}
				r.report(e.value.at, e.key, e.value.text, fmt.Sprint(schemaVersion), hint)
			}
		case "name":
			c.Name = r.text(e)
		case "notes":
			c.Notes = r.text(e)
		default:
			r.unknown(e, []string{"schema", "name", "notes"}, nil)
		}
	})
	if !schema {
		r.report(0, "schema", "not there", "schema = 1 at the top of the file", "")
	}
	if len(r.doc.root.groups) > maxStages {
		r.report(r.doc.root.groups[maxStages].at, "", fmt.Sprintf("%d stages", len(r.doc.root.groups)), fmt.Sprintf("up to %d", maxStages), "")
		return
	}
	for _, g := range r.doc.root.groups {
		c.Stages = append(c.Stages, r.stage(g))
	}
}

// each calls f for the entries of a group, and reports those that come twice.
func (r *reader) each(g *group, f func(entry)) {
	first := map[string]int{}
	for _, e := range g.entries {
		if at, twice := first[e.key]; twice {
			line := r.doc.problem(at, "", "", "", "").Line
			r.report(e.keyAt, e.key, "a second time", fmt.Sprintf("once; it stands in line %d already", line), "")
			continue
		}
		first[e.key] = e.keyAt
		f(e)
	}
}

func (r *reader) stage(g *group) Stage {
	s := Stage{Enabled: true, Line: r.doc.problem(g.at, "", "", "", "").Line}
	kind := g.find("kind")
	if kind == nil {
		r.report(g.at, "kind", "not there", "one of "+strings.Join(kindNames(), ", "), "")
		return s
	}
	s.Kind = r.text(*kind)
	s.table = tableOf(s.Kind)
	if s.table == nil {
		if kind.value.kind == unstable.String {
			r.report(kind.value.at, "kind", strconv.Quote(s.Kind), "one of "+strings.Join(kindNames(), ", "), didYouMean(s.Kind, kindNames()))
		}
		return s
	}
	settings := r.settings(g, s.table, func(e entry) bool {
		switch e.key {
		case "kind":
		case "name":
			s.Name = r.text(e)
		case "enabled":
			if v, ok := r.boolean(e); ok {
				s.Enabled = v
			}
		default:
			return false
		}
		return true
	})
	switch {
	case s.table.bands == nil && len(g.groups) > 0:
		r.report(g.groups[0].at, "band", "a band in a stage of kind "+s.Kind, "bands in an equaliser only", "")
	case len(g.groups) > maxStages:
		r.report(g.groups[maxStages].at, "band", fmt.Sprintf("%d bands", len(g.groups)), fmt.Sprintf("up to %d", maxStages), "")
	default:
		for _, b := range g.groups {
			s.table.addBand(settings, r.settings(b, s.table.bands, func(entry) bool { return false }))
		}
	}
	s.Settings = s.table.settle(settings)
	return s
}

func (g *group) find(key string) *entry {
	for i := range g.entries {
		if g.entries[i].key == key {
			return &g.entries[i]
		}
	}
	return nil
}

func kindNames() []string {
	var names []string
	for _, t := range kinds() {
		names = append(names, t.name)
	}
	return names
}

// settings reads a group by its table into the settings that it stands for.
// common handles the keys that do not belong to the table.
func (r *reader) settings(g *group, t *table, common func(entry) bool) any {
	settings := t.fresh()
	for i := range t.fields {
		if f := &t.fields[i]; f.preset != nil {
			f.set(settings, f.preset)
		}
	}
	r.each(g, func(e entry) {
		if common(e) {
			return
		}
		f := t.field(e.key)
		if f == nil {
			r.unknown(e, append(t.keys(), "kind", "name", "enabled"), t)
			return
		}
		if v, ok := r.read(e, f); ok {
			f.set(settings, v)
		}
	})
	for _, f := range t.fields {
		if f.required && g.find(f.key) == nil {
			r.report(g.at, f.key, "not there", f.accepted(), "add it to this "+t.name)
		}
	}
	return settings
}

// unknown reports a key that no table knows, and what may be meant.
func (r *reader) unknown(e entry, known []string, t *table) {
	hint := didYouMean(e.key, known)
	if hint == "" {
		var owners []string
		for _, other := range kinds() {
			if other.field(e.key) != nil && other != t {
				owners = append(owners, other.name)
			}
			if other.bands != nil && other.bands.field(e.key) != nil {
				owners = append(owners, "band of an "+other.name)
			}
		}
		if len(owners) > 0 {
			hint = "a key of: " + strings.Join(owners, ", ")
		}
	}
	r.report(e.keyAt, e.key, "unknown key", strings.Join(known, ", "), hint)
}

func didYouMean(word string, known []string) string {
	if near := Nearest(word, known); near != "" {
		return "did you mean " + near + "?"
	}
	return ""
}

// read turns an entry's value into what its field takes.
func (r *reader) read(e entry, f *field) (any, bool) {
	refuse := func(hint string) (any, bool) {
		r.report(e.value.at, e.key, describe(e.value), f.accepted(), hint)
		return nil, false
	}
	switch f.kind {
	case boolean:
		return r.boolean(e)
	case choice:
		if e.value.kind != unstable.String {
			return refuse("a word stands in quotation marks")
		}
		for _, w := range f.words {
			if w == e.value.text {
				return w, true
			}
		}
		return refuse(didYouMean(e.value.text, f.words))
	case channelList:
		return r.channels(e, f)
	case integer:
		n, ok := parseNumber(e.value)
		if !ok || n != math.Trunc(n) || n < f.low || n > f.high || f.step > 0 && int(n)%f.step != 0 {
			return refuse(unitHint(e.value))
		}
		return int(n), true
	default:
		n, ok := parseNumber(e.value)
		if !ok || n < f.low || n > f.high {
			return refuse(f.rangeHint(e.value, n, ok))
		}
		return n, true
	}
}

// parseNumber reads a finite number.
func parseNumber(v value) (float64, bool) {
	if v.kind != unstable.Float && v.kind != unstable.Integer {
		return 0, false
	}
	text := strings.ReplaceAll(v.text, "_", "")
	if i, err := strconv.ParseInt(text, 0, 64); err == nil {
		return float64(i), true
	}
	n, err := strconv.ParseFloat(text, 64)
	return n, err == nil && n-n == 0
}

// unitHint is for numbers that were written as text.
func unitHint(v value) string {
	if v.kind == unstable.String {
		return "a number without quotation marks and without its unit, which the key tells"
	}
	return ""
}

func (f *field) rangeHint(v value, n float64, isNumber bool) string {
	switch {
	case !isNumber:
		return unitHint(v)
	case f.key == "ratio" && n > 0 && n < 1:
		return fmt.Sprintf("the other way up that is %.3g", 1/n)
	case f.unit == "dBFS" && n > 0 && n <= -f.low:
		return "full scale is 0 dBFS: did you mean the negative number?"
	}
	return ""
}

// accepted says what a field takes.
func (f *field) accepted() string {
	switch f.kind {
	case boolean:
		return "true or false"
	case choice:
		return `"` + strings.Join(f.words, `", "`) + `"`
	case channelList:
		return "a list of channel numbers from 1, such as [1, 2]"
	}
	text := fmt.Sprintf("%s to %s", plain(f.low), plain(f.high))
	if f.unit != "" {
		text += " " + f.unit
	}
	if f.step > 1 {
		text += fmt.Sprintf(" in steps of %d", f.step)
	}
	return text
}

// plain writes a number as short as it can be read back.
func plain(n float64) string { return strconv.FormatFloat(n, 'f', -1, 64) }

// describe is a value as messages show it.
func describe(v value) string {
	switch v.kind {
	case unstable.String:
		return fmt.Sprintf("the text %q", v.text)
	case unstable.Array:
		return "a list"
	case unstable.InlineTable:
		return "a table"
	}
	return v.text
}

func (r *reader) text(e entry) string {
	if e.value.kind != unstable.String {
		r.report(e.value.at, e.key, describe(e.value), "a text in quotation marks", "")
		return ""
	}
	return e.value.text
}

func (r *reader) boolean(e entry) (bool, bool) {
	if e.value.kind != unstable.Bool {
		r.report(e.value.at, e.key, describe(e.value), "true or false", "")
		return false, false
	}
	return e.value.text == "true", true
}

func (r *reader) integer(e entry, accepted string) (int, bool) {
	n, ok := parseNumber(e.value)
	if !ok || e.value.kind != unstable.Integer {
		r.report(e.value.at, e.key, describe(e.value), accepted, "")
		return 0, false
	}
	return int(n), true
}

func (r *reader) channels(e entry, f *field) (any, bool) {
	if e.value.kind != unstable.Array {
		r.report(e.value.at, e.key, describe(e.value), f.accepted(), "")
		return nil, false
	}
	channels := []int{}
	for _, v := range e.value.list {
		n, ok := parseNumber(v)
		if !ok || v.kind != unstable.Integer || n < 1 || n > dsp.MaxChannels {
			r.report(v.at, e.key, describe(v), fmt.Sprintf("whole numbers from 1 to %d", dsp.MaxChannels), "")
			return nil, false
		}
		channels = append(channels, int(n))
	}
	if len(channels) == 0 {
		r.report(e.value.at, e.key, "an empty list", f.accepted(), "leave the key out for all channels")
		return nil, false
	}
	return channels, true
}

// Check tells what this chain asks for that sound of a rate in Hz and a number
// of channels cannot have, in a *FileError: frequencies at or above the
// Nyquist frequency, channels that are not there. Disabled stages are not
// looked at.
func (c *Chain) Check(rate, channels int) error {
	if c.document == nil {
		return nil // made in Go: the constructors will tell
	}
	r := &reader{doc: c.document}
	nyquist := float64(rate) / 2
	check := func(g *group, t *table, settings any) {
		for _, f := range t.fields {
			at := g.at
			if e := g.find(f.key); e != nil {
				at = e.value.at
			}
			switch v := f.value(settings).(type) {
			case float64:
				if f.nyquist && v >= nyquist {
					r.report(at, f.key, plain(v)+" Hz", fmt.Sprintf("below %s Hz, the Nyquist frequency of sound at %d Hz", plain(nyquist), rate), "")
				}
			case []int:
				for _, n := range v {
					if n > channels {
						r.report(at, f.key, fmt.Sprintf("channel %d", n), fmt.Sprintf("1 to %d, the channels of this sound", channels), "")
					}
				}
			}
		}
	}
	for i, s := range c.Stages {
		if !s.Enabled {
			continue
		}
		g := c.document.root.groups[i]
		check(g, s.table, s.Settings)
		if eq, ok := s.Settings.(dsp.EqualiserSettings); ok {
			for k, b := range eq.Bands {
				check(g.groups[k], s.table.bands, b)
			}
		}
	}
	if len(r.problems) > 0 {
		return r.failure()
	}
	return nil
}

// value reads a field of settings held by value, nil where it has no reader.
func (f *field) value(settings any) any {
	if f.get == nil {
		return nil
	}
	return f.get(settings)
}

// refusal puts a constructor's error at the place of its key.
func (c *Chain) refusal(i int, err error) error {
	s := c.Stages[i]
	var setting *dsp.SettingError
	if c.document == nil || !errors.As(err, &setting) {
		return fmt.Errorf("%s: stage %q: %w", c.Path, s.Name, err)
	}
	g := c.document.root.groups[i]
	at := g.at
	if e := g.find(setting.Setting); e != nil {
		at = e.value.at
	}
	return &FileError{c.Path, []Problem{c.document.problem(at, setting.Setting, setting.Found, setting.Accepted, "")}}
}
