package chain

import (
	"fmt"
	"strconv"
	"strings"

	"github.com/boothbench/boothbench/chain/tomlfile"
	"github.com/boothbench/boothbench/dsp"
)

// Kind is one kind of stage: everything that a chain file can say about it. The tables in
// kinds.go drive parsing, checking, explaining, the starter chain and the reference page.
type Kind struct {
	Name    string
	Summary string            // one sentence
	Trap    string            // what commonly goes wrong
	Fields  []Field           // in the order in which they are written
	Bands   []Field           // the keys of its [[stage.band]] tables; nil: it has none
	Also    []string          // what it is called elsewhere; not accepted in a file
	Former  map[string]string // keys it had in older files, and what to write instead

	fresh   func() any                                              // pointer to zero settings
	holds   func(settings any) bool                                 // whether settings are of this kind
	edit    func(settings any) any                                  // pointer to a copy of settings
	settled func(pointer any) any                                   // the settings behind a pointer
	build   func(settings any, rate, ch int) (dsp.Processor, error) // the dsp constructor
	rule    func(settings any) (key, found, accepted string)        // what concerns more than one key; may be nil
	addBand func(pointer any, band dsp.Band)                        // nil: it has none
	bands   func(settings any) []dsp.Band
}

// Field is one key of a stage or band.
type Field struct {
	Key      string
	Unit     string // "dBFS", "ms"; empty: a bare number or no number
	Type     ValueType
	Min, Max float64    // of numbers
	Step     float64    // of whole numbers
	Zero     string     // what 0 means, if it is accepted in addition to Min to Max; empty: 0 is not special
	Words    []string   // of words
	Default  string     // as written in a file; empty: required
	When     *Condition // when it applies; nil: always
	Instead  string     // the other key of a pair of which a file gives one; empty: no pair
	Least    string     // a further condition on the value; empty: none
	Help     string     // what it is
	Source   string     // where default and range come from
	Trap     string     // what commonly goes wrong; may be empty

	put  func(pointer any, v setting)
	get  func(pointer any) setting
	used func(pointer any) bool // whether settings use it; nil: whenever it applies
}

// Condition is the value that another key must have for a key to apply.
type Condition struct {
	Key   string
	Words []string
}

func (c *Condition) String() string {
	return c.Key + " = " + quoted(c.Words, " or ")
}

// ValueType is the type of a key's value.
type ValueType int

// The types of values.
const (
	Number      ValueType = iota
	WholeNumber           // a multiple of Step
	TrueOrFalse
	Word        // one of Words
	ChannelList // of channels counted from 1
)

// setting is a value of any of these types.
type setting struct {
	number float64
	word   string
	flag   bool
	list   []int
}

// orInstead makes two fields a pair, of which a file gives one. second reports whether
// settings use the second field. The second field has a default, for a file that gives
// neither.
func orInstead[S any](second func(*S) *bool, one, other Field) []Field {
	one.Instead, other.Instead = other.Key, one.Key
	for _, f := range []struct {
		*Field
		is bool
	}{{&one, false}, {&other, true}} {
		put := f.put
		f.put = func(p any, v setting) {
			put(p, v)
			*second(p.(*S)) = f.is
		}
		f.used = func(p any) bool { return *second(p.(*S)) == f.is }
	}
	return []Field{one, other}
}

// The constructors below connect a field with its place in the settings, so that the
// compiler checks the table of a kind.

func number[S any](at func(*S) *float64, f Field) Field {
	f.Type = Number
	f.put = func(p any, v setting) { *at(p.(*S)) = v.number }
	f.get = func(p any) setting { return setting{number: *at(p.(*S))} }
	return f
}

func wholeNumber[S any](at func(*S) *int, f Field) Field {
	f.Type = WholeNumber
	f.put = func(p any, v setting) { *at(p.(*S)) = int(v.number) }
	f.get = func(p any) setting { return setting{number: float64(*at(p.(*S)))} }
	return f
}

func trueOrFalse[S any](at func(*S) *bool, f Field) Field {
	f.Type = TrueOrFalse
	f.put = func(p any, v setting) { *at(p.(*S)) = v.flag }
	f.get = func(p any) setting { return setting{flag: *at(p.(*S))} }
	return f
}

// word also takes the value for each of the field's Words.
func word[S any, T comparable](at func(*S) *T, means []T, f Field) Field {
	f.Type = Word
	f.put = func(p any, v setting) {
		for i, w := range f.Words {
			if w == v.word {
				*at(p.(*S)) = means[i]
			}
		}
	}
	f.get = func(p any) setting {
		for i, m := range means {
			if m == *at(p.(*S)) {
				return setting{word: f.Words[i]}
			}
		}
		return setting{}
	}
	return f
}

func channelList[S any](at func(*S) *[]int, f Field) Field {
	f.Type = ChannelList
	f.put = func(p any, v setting) { *at(p.(*S)) = append([]int(nil), v.list...) }
	f.get = func(p any) setting { return setting{list: *at(p.(*S))} }
	return f
}

// kindOf completes a kind whose settings are of type S.
func kindOf[S any, P dsp.Processor](construct func(S, int, int) (P, error), k Kind) Kind {
	k.fresh = func() any { return new(S) }
	k.holds = func(settings any) bool { _, ok := settings.(S); return ok }
	k.edit = func(settings any) any { s := settings.(S); return &s }
	k.settled = func(p any) any { return *p.(*S) }
	k.build = func(settings any, rate, channels int) (dsp.Processor, error) {
		s, ok := settings.(S)
		if !ok {
			return nil, fmt.Errorf("a %s stage holds %T, accepted: %T", k.Name, settings, s)
		}
		p, err := construct(s, rate, channels)
		if err != nil {
			return nil, err // not p: a nil pointer in an interface is not nil
		}
		return p, nil
	}
	return k
}

// kindNamed finds a kind.
func kindNamed(kinds []Kind, name string) *Kind {
	for i := range kinds {
		if kinds[i].Name == name {
			return &kinds[i]
		}
	}
	return nil
}

// probableKind is the name of the kind that was probably meant by another word, or "".
func probableKind(kinds []Kind, word string) string {
	for _, k := range kinds {
		for _, w := range k.Also {
			if canonical(w) == canonical(word) {
				return k.Name
			}
		}
	}
	return tomlfile.Nearest(word, kindNames(kinds))
}

func kindNames(kinds []Kind) []string {
	names := make([]string, len(kinds))
	for i, k := range kinds {
		names[i] = k.Name
	}
	return names
}

func fieldNamed(fields []Field, key string) *Field {
	for i := range fields {
		if fields[i].Key == key {
			return &fields[i]
		}
	}
	return nil
}

func keysOf(fields []Field) []string {
	keys := make([]string, len(fields))
	for i, f := range fields {
		keys[i] = f.Key
	}
	return keys
}

// Accepted says which values the key accepts.
func (f Field) Accepted() string {
	switch f.Type {
	case TrueOrFalse:
		return "true or false"
	case Word:
		return quoted(f.Words, ", ")
	case ChannelList:
		return "a list of channels counted from 1, such as [1, 2]; [] means all"
	}
	text := plain(f.Min) + " to " + plain(f.Max)
	if f.Unit != "" {
		text += " " + f.Unit
	}
	if f.Type == WholeNumber && f.Step > 1 {
		text += ", in steps of " + plain(f.Step)
	}
	if f.Zero != "" {
		text += ", or 0: " + f.Zero
	}
	if f.Least != "" {
		text += ", " + f.Least
	}
	return text
}

// preset is the default as a value.
func (f Field) preset() setting {
	n, _ := strconv.ParseFloat(f.Default, 64)
	return setting{number: n, word: strings.Trim(f.Default, `"`), flag: f.Default == "true"}
}

// written is a value in the spelling of a file.
func (f Field) written(v setting) string {
	switch f.Type {
	case TrueOrFalse:
		return strconv.FormatBool(v.flag)
	case Word:
		return strconv.Quote(v.word)
	case ChannelList:
		words := make([]string, len(v.list))
		for i, c := range v.list {
			words[i] = strconv.Itoa(c)
		}
		return "[" + strings.Join(words, ", ") + "]"
	}
	return plain(v.number)
}

// inRange reports whether a number is accepted.
func (f Field) inRange(n float64) bool {
	if f.Zero != "" && n == 0 {
		return true
	}
	if f.Type == WholeNumber && (n != float64(int64(n)) || f.Step > 1 && int64(n)%int64(f.Step) != 0) {
		return false
	}
	return n >= f.Min && n <= f.Max // false for NaN
}

// plain writes a number without an exponent.
func plain(n float64) string { return strconv.FormatFloat(n, 'f', -1, 64) }

func quoted(words []string, between string) string {
	q := make([]string, len(words))
	for i, w := range words {
		q[i] = `"` + w + `"`
	}
	return strings.Join(q, between)
}
