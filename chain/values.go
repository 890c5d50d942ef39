package chain

import (
	"fmt"
	"sort"
	"strconv"
	"strings"
	"unicode"

	"github.com/boothbench/boothbench/chain/tomlfile"
	"github.com/boothbench/boothbench/dsp"
)

// setting reads one value; false after a problem, which it reports.
func (d *decoder) setting(f Field, v *tomlfile.Value) (setting, bool) {
	switch f.Type {
	case Number, WholeNumber:
		if v.Kind != tomlfile.Integer && v.Kind != tomlfile.Float {
			d.WrongType(f.Key, v, f.Accepted(), numberHint(f, v))
			return setting{}, false
		}
		if !f.inRange(v.Number) {
			p := tomlfile.Problem{Key: f.Key, Found: "found " + v.Raw, Accepted: f.Accepted()}
			switch {
			case f.Key == "ratio" && v.Number > 0 && v.Number < 1:
				p.Hint = "its inverse is " + strconv.FormatFloat(1/v.Number, 'g', 4, 64)
			case f.Max == 0 && v.Number > 0 && f.inRange(-v.Number):
				p.Hint = "did you mean " + f.Key + " = -" + strings.TrimPrefix(v.Raw, "+") + "?"
			}
			d.Report(v.At, p)
			return setting{}, false
		}
		return setting{number: v.Number}, true
	case TrueOrFalse:
		if v.Kind != tomlfile.Bool {
			d.WrongType(f.Key, v, f.Accepted(), "")
			return setting{}, false
		}
		return setting{flag: v.Number == 1}, true
	case Word:
		if v.Kind != tomlfile.String {
			d.WrongType(f.Key, v, f.Accepted(), "")
			return setting{}, false
		}
		if !contains(f.Words, v.Text) {
			p := tomlfile.Problem{Key: f.Key, Found: "found " + tomlfile.Quote(v.Text), Accepted: f.Accepted()}
			if near := tomlfile.Nearest(v.Text, f.Words); near != "" {
				p.Hint = "did you mean \"" + near + "\"?"
			}
			d.Report(v.At, p)
			return setting{}, false
		}
		return setting{word: v.Text}, true
	}
	return d.channels(f, v)
}

func (d *decoder) channels(f Field, v *tomlfile.Value) (setting, bool) {
	if v.Kind != tomlfile.Array {
		hint := ""
		if v.Kind == tomlfile.Integer {
			hint = "write [" + v.Raw + "]"
		}
		d.WrongType(f.Key, v, f.Accepted(), hint)
		return setting{}, false
	}
	var s setting
	for _, item := range v.Items {
		n := int(item.Number)
		switch {
		case item.Kind != tomlfile.Integer:
			d.WrongType(f.Key, item, f.Accepted(), "")
			return setting{}, false
		case item.Number < 1 || item.Number > dsp.MaxChannels:
			d.Report(item.At, tomlfile.Problem{Key: f.Key, Found: "found channel " + item.Raw, Accepted: fmt.Sprintf("1 to %d", dsp.MaxChannels)})
			return setting{}, false
		case sort.SearchInts(s.list, n) < len(s.list) && s.list[sort.SearchInts(s.list, n)] == n:
			d.Report(item.At, tomlfile.Problem{Key: f.Key, Found: "channel " + item.Raw + " twice", Accepted: f.Accepted()})
			return setting{}, false
		}
		s.list = append(s.list, n)
		sort.Ints(s.list)
	}
	return s, true
}

// numberHint looks for a number in a string such as "-18 dBFS" or "20%".
func numberHint(f Field, v *tomlfile.Value) string {
	if v.Kind != tomlfile.String {
		return ""
	}
	s := strings.ReplaceAll(strings.TrimSpace(v.Text), "\u2212", "-")
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
