package stimulus

import (
	"fmt"
	"reflect"
	"strconv"
	"strings"

	"github.com/boothbench/boothbench/dsp"
)

// Kind is a kind of signal that can be asked for by name. Its settings are the
// exported fields of its type: PeakDBFS is written peak_dbfs.
type Kind struct {
	Default Signal // its settings are the defaults
	Help    string // one line
	Bare    bool   // the file is the signal alone, without marks: a standard's signal, or one for lining up
	Exact   bool   // the file is written without dither: zeros stay zeros
}

// kinds are listed in this order. A new kind needs a line here and, for settings with new
// names, lines in settings.
var kinds = []Kind{
	{Default: LineUpRP155(), Help: "steady sine, for lining up and for distortion", Bare: true},
	{Default: AES17Series(DefaultPeakDBFS), Help: "997 Hz in steps of level, for gain linearity (AES17-2015 6.3.7)"},
	{Default: ModulationTonesSMPTE(DefaultPeakDBFS), Help: "two sines, for intermodulation (SMPTE 60 Hz + 7 kHz 4:1; IEC 60268-3, AES17)"},
	{Default: StandardSweep(DefaultPeakDBFS), Help: "exponential swept sine, for response and distortion (Farina 2000)"},
	{Default: SynchronisedSweep{FromHz: 5, ToHz: 22000, Seconds: 10, PeakDBFS: DefaultPeakDBFS}, Help: "the same, with harmonics in the sweep's own phase (Novak 2015)"},
	{Default: StandardMultitone(DefaultPeakDBFS), Help: "many sines at once, for response without a sweep"},
	{Default: StandardImpulse(DefaultPeakDBFS), Help: "one sample in silence, for latency", Exact: true},
	{Default: MLS{Order: 16, Periods: 4, PeakDBFS: DefaultPeakDBFS}, Help: "maximum-length sequence", Exact: true},
	{Default: WhiteNoise{PeakDBFS: DefaultPeakDBFS, Seconds: 10, Seed: 1}, Help: "noise, flat up to half the rate"},
	{Default: PinkNoise{PeakDBFS: DefaultPeakDBFS, Seconds: 10, Seed: 1}, Help: "noise, equal power in every octave"},
	{Default: SpeechLike{PeakDBFS: DefaultPeakDBFS, Seconds: 10, Seed: 1}, Help: "an invented programme with the pace and levels of speech, for dynamics"},
	{Default: Silence{Seconds: 10}, Help: "digital zero, for idle noise", Exact: true},
	{Default: ToneThenSilence{Tone: StandardTone(DefaultPeakDBFS), SilenceSeconds: 5}, Help: "a tone, then digital zero: what rings on", Exact: true},
	{Default: StandardSteppedTone(DefaultPeakDBFS), Help: "a tone in steps of level without a pause, for static curves"},
	{Default: StandardLevelStep(DefaultPeakDBFS), Help: "a tone burst on a lower tone, for attack, hold and release"},
	{Default: StandardCrestTones(DefaultPeakDBFS - 5), Help: "a pair of tones and sines of the same rms, for what a detector measures"},
	{Default: StandardLinkTones(DefaultPeakDBFS), Help: "a tone at two levels in two channels, for linked stages"},
	{Default: Tech3341{Case: 1}, Help: "a loudness meter's test signal of EBU Tech 3341", Bare: true},
	{Default: Tech3342{Case: 1}, Help: "a loudness range's test signal of EBU Tech 3342", Bare: true},
}

// settings has the unit, the accepted values and the help of each setting.
var settings = map[string][3]string{
	"hz":              {"Hz", "up to half the rate", "frequency"},
	"low_hz":          {"Hz", "up to half the rate", "lowest frequency"},
	"high_hz":         {"Hz", "up to half the rate", "highest frequency"},
	"from_hz":         {"Hz", "1 to half of to_hz", "where the sweep begins"},
	"to_hz":           {"Hz", "up to half the rate", "where it ends"},
	"peak_dbfs":       {"dBFS", "-200 to 0; in crest-tones -200 to -5", "peak level"},
	"from_dbfs":       {"dBFS", "-200 to 0", "peak level of the first step"},
	"to_dbfs":         {"dBFS", "-200 to 0", "peak level of the last step"},
	"step_db":         {"dB", "0.01 to 200", "from step to step"},
	"step_seconds":    {"s", "0.05 to 60; in tone-series 0.03 to 3600", "length of a step"},
	"seconds":         {"s", "0.03 to 3600", "length, fades included"},
	"lead_seconds":    {"s", "0 to half of seconds", "silence before the impulse"},
	"silence_seconds": {"s", "0.03 to 3600", "length of the silence"},
	"left_dbfs":       {"dBFS", "-200 to 0", "peak in channel 1"},
	"right_dbfs":      {"dBFS", "-200 to 0", "peak in channel 2"},
	"low_dbfs":        {"dBFS", "-200 to high_dbfs", "peak of the lower level"},
	"high_dbfs":       {"dBFS", "-200 to 0", "peak of the higher level"},
	"before_seconds":  {"s", "0.03 to 600", "how long it is low first"},
	"during_seconds":  {"s", "0.03 to 600", "how long it is high"},
	"after_seconds":   {"s", "0.03 to 600", "how long it is low again"},
	"back":            {"", "true or false", "the same steps back"},
	"channels":        {"", "1 to 64", "channels, all with the same sound"},
	"only":            {"", "0 to channels", "the one channel that sounds, from 1; 0: all"},
	"ratio":           {"to 1", "0.01 to 100", "lower tone's amplitude over the higher one's"},
	"per_octave":      {"", "1 to 48", "pairs of tones in an octave"},
	"periods":         {"", "1 to 100", "periods"},
	"order":           {"", "10 to 20", "the period is 2^order - 1 frames"},
	"seed":            {"", "any", "of the random numbers: same seed, same bits"},
	"case":            {"", "as in the document's table", "test signal"},
	"variant":         {"", "0 to 19 in cases 10 and 13", "which of the case's signals"},
}

// Kinds lists the kinds.
func Kinds() []Kind { return append([]Kind(nil), kinds...) }

// Named returns the kind with a name.
func Named(name string) (Kind, bool) {
	for _, k := range kinds {
		if k.Name() == name {
			return k, true
		}
	}
	return Kind{}, false
}

// Name is the kind's name: "sweep".
func (k Kind) Name() string { return k.Default.Kind() }

// Setting is one setting of a kind.
type Setting struct {
	Key      string // "from_hz"
	Unit     string // "Hz"; "" for a number without a unit
	Accepted string
	Help     string
	Default  string
}

// Settings lists the kind's settings in the order of the type's fields.
func (k Kind) Settings() []Setting {
	var all []Setting
	each(reflect.ValueOf(k.Default), func(key string, field reflect.Value) {
		about := settings[key]
		all = append(all, Setting{key, about[0], about[1], about[2], spelled(key, field)})
	})
	return all
}

// With is a signal of the kind; settings that are not given have their defaults. Make reports
// values that do not go together.
func (k Kind) With(given map[string]string) (Signal, error) {
	made := reflect.New(reflect.TypeOf(k.Default)).Elem()
	made.Set(reflect.ValueOf(k.Default))
	var keys []string
	var wrong error
	each(made, func(key string, field reflect.Value) {
		keys = append(keys, key)
		text, isGiven := given[key]
		// Absent channels are one; 0 that is given is a mistake.
		if isGiven && wrong == nil && (!set(field, text) || key == "channels" && field.IsZero()) {
			wrong = &dsp.SettingError{Setting: key, Found: strconv.Quote(text), Accepted: strings.TrimSpace(settings[key][1] + " " + settings[key][0])}
		}
	})
	for key := range given {
		if !strings.Contains(" "+strings.Join(keys, " ")+" ", " "+key+" ") {
			return nil, &dsp.SettingError{Setting: key, Found: "no such setting of " + k.Name(), Accepted: strings.Join(keys, ", ")}
		}
	}
	return made.Interface().(Signal), wrong
}

// Describe is a signal's kind and all its settings in one line: "kind=impulse
// peak_dbfs=-20 …".
func Describe(s Signal) string {
	words := []string{"kind=" + s.Kind()}
	each(reflect.ValueOf(s), func(key string, field reflect.Value) {
		words = append(words, key+"="+spelled(key, field))
	})
	return strings.Join(words, " ")
}

// Parse makes the signal that a description states, as Describe writes it.
func Parse(description string) (Signal, error) {
	given := map[string]string{}
	for _, word := range strings.Fields(description) {
		key, value, found := strings.Cut(word, "=")
		if _, twice := given[key]; !found || twice {
			return nil, fmt.Errorf("found %q, accepted: key=value, each key once", word)
		}
		given[key] = value
	}
	k, known := Named(given["kind"])
	if !known {
		return nil, fmt.Errorf("found kind %q, accepted: %s", given["kind"], strings.Join(names(), ", "))
	}
	delete(given, "kind")
	return k.With(given)
}

func names() []string {
	var all []string
	for _, k := range kinds {
		all = append(all, k.Name())
	}
	return all
}

// each visits the settings of a signal, including those of a signal within it.
func each(signal reflect.Value, visit func(key string, field reflect.Value)) {
	for i := range signal.NumField() {
		if field := signal.Field(i); field.Kind() == reflect.Struct {
			each(field, visit)
		} else {
			visit(key(signal.Type().Field(i).Name), field)
		}
	}
}

// key is a field's name as a key: PeakDBFS is peak_dbfs.
func key(field string) string {
	var b strings.Builder
	for i := range len(field) {
		if i > 0 && isUpper(field[i]) && !isUpper(field[i-1]) {
			b.WriteByte('_')
		}
		b.WriteByte(field[i])
	}
	return strings.ToLower(b.String())
}

func isUpper(c byte) bool { return c >= 'A' && c <= 'Z' }

// spelled is a field's value as text; set does the reverse. 0 channels mean one and are written
// as 1, so that a signal has only one description.
func spelled(key string, field reflect.Value) string {
	if key == "channels" && field.IsZero() {
		return "1"
	}
	if field.CanFloat() {
		return strconv.FormatFloat(field.Float(), 'g', -1, 64)
	}
	return fmt.Sprint(field.Interface())
}

func set(field reflect.Value, text string) bool {
	var err error
	switch field.Kind() {
	case reflect.Float64:
		var v float64
		v, err = strconv.ParseFloat(text, 64)
		field.SetFloat(v)
	case reflect.Int:
		var v int64
		v, err = strconv.ParseInt(text, 10, 64)
		field.SetInt(v)
	case reflect.Uint64:
		var v uint64
		v, err = strconv.ParseUint(text, 10, 64)
		field.SetUint(v)
	case reflect.Bool:
		var v bool
		v, err = strconv.ParseBool(text)
		field.SetBool(v)
	}
	return err == nil
}
