package chain

import (
	"fmt"
	"sort"
	"strconv"
	"strings"
	"unicode"

	"github.com/boothbench/boothbench/dsp"
)

func (d *decoder) text(e tomlEntry) string {
	switch e.value.kind {
	case tomlBroken:
	case tomlString:
		return e.value.text
	default:
		d.wrongType(e.key, e.value, `a string in quotes: "…"`, "")
	}
	return ""
}

// setting reads one value; false after a problem, which it reports.
func (d *decoder) setting(f Field, v *tomlValue) (setting, bool) {
	switch f.Type {
	case Number, WholeNumber:
		if v.kind != tomlInteger && v.kind != tomlFloat {
			d.wrongType(f.Key, v, f.Accepted(), numberHint(f, v))
			return setting{}, false
		}
		if !f.inRange(v.number) {
			p := Problem{Key: f.Key, Found: "found " + v.raw, Accepted: f.Accepted()}
			switch {
			case f.Key == "ratio" && v.number > 0 && v.number < 1:
				p.Hint = "written the other way up it is " + strconv.FormatFloat(1/v.number, 'g', 4, 64)
			case f.Max == 0 && v.number > 0 && f.inRange(-v.number):
				p.Hint = "did you mean " + f.Key + " = -" + strings.TrimPrefix(v.raw, "+") + "?"
			}
			d.report(v.at, p)
			return setting{}, false
		}
		return setting{number: v.number}, true
	case TrueOrFalse:
		if v.kind != tomlBool {
			d.wrongType(f.Key, v, f.Accepted(), "")
			return setting{}, false
		}
		return setting{flag: v.number == 1}, true
	case Word:
		if v.kind != tomlString {
			d.wrongType(f.Key, v, f.Accepted(), "")
			return setting{}, false
		}
		if !contains(f.Words, v.text) {
			p := Problem{Key: f.Key, Found: "found " + quote(v.text), Accepted: f.Accepted()}
			if near := Nearest(v.text, f.Words); near != "" {
				p.Hint = "did you mean \"" + near + "\"?"
			}
			d.report(v.at, p)
			return setting{}, false
		}
		return setting{word: v.text}, true
	}
	return d.channels(f, v)
}

func (d *decoder) channels(f Field, v *tomlValue) (setting, bool) {
	if v.kind != tomlArray {
		hint := ""
		if v.kind == tomlInteger {
			hint = "write [" + v.raw + "]"
		}
		d.wrongType(f.Key, v, f.Accepted(), hint)
		return setting{}, false
	}
	var s setting
	for _, item := range v.items {
		n := int(item.number)
		switch {
		case item.kind != tomlInteger:
			d.wrongType(f.Key, item, f.Accepted(), "")
			return setting{}, false
		case item.number < 1 || item.number > dsp.MaxChannels:
			d.report(item.at, Problem{Key: f.Key, Found: "found channel " + item.raw, Accepted: fmt.Sprintf("1 to %d", dsp.MaxChannels)})
			return setting{}, false
		case sort.SearchInts(s.list, n) < len(s.list) && s.list[sort.SearchInts(s.list, n)] == n:
			d.report(item.at, Problem{Key: f.Key, Found: "channel " + item.raw + " twice", Accepted: f.Accepted()})
			return setting{}, false
		}
		s.list = append(s.list, n)
		sort.Ints(s.list)
	}
	return s, true
}

func (d *decoder) wrongType(key string, v *tomlValue, accepted, hint string) {
	if v.kind != tomlBroken {
		d.report(v.at, Problem{Key: key, Found: "found " + d.shown(v), Accepted: accepted, Hint: hint})
	}
}

// shown describes a value: what it is and how it stands in the file.
func (d *decoder) shown(v *tomlValue) string {
	switch v.kind {
	case tomlString:
		return "the string " + quote(v.text)
	case tomlBool:
		return "the value " + v.raw
	case tomlArray:
		return "a list"
	case tomlTable:
		return "a table"
	case tomlDate:
		return "the date or time " + v.raw
	}
	return "the number " + v.raw
}

// quote puts a string in quotes, shortened.
func quote(s string) string {
	if r := []rune(s); len(r) > 40 {
		s = string(r[:40]) + "…"
	}
	return strconv.Quote(s)
}

// numberHint looks for a number in a string such as "-18 dBFS" or "20%".
func numberHint(f Field, v *tomlValue) string {
	if v.kind != tomlString {
		return ""
	}
	s := strings.ReplaceAll(strings.TrimSpace(v.text), "\u2212", "-")
	end := strings.IndexFunc(s, func(r rune) bool { return !unicode.IsDigit(r) && !strings.ContainsRune("+-.", r) })
	unit := ""
	if end >= 0 {
		s, unit = s[:end], strings.TrimSpace(s[end:])
	}
	if _, err := strconv.ParseFloat(s, 64); err != nil {
		return ""
	}
	if unit != "" && !strings.EqualFold(unit, f.Unit) {
		if f.Unit == "" {
			return "the value is a plain number without a unit"
		}
		return "the value is in " + f.Unit + ", not in " + unit
	}
	return "write the number without quotes and unit: " + f.Key + " = " + s
}
