package main

import (
	"fmt"
	"strings"

	"github.com/spf13/pflag"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// signalFlags are the flags for the settings of a kind of test signal.
type signalFlags struct {
	kind     stimulus.Kind
	settings map[string]*string // by key
}

// kindNamed is the kind of a name; an error says what was probably meant.
func kindNamed(name string) (stimulus.Kind, error) {
	kind, known := stimulus.Named(name)
	if known {
		return kind, nil
	}
	var names []string
	for _, k := range stimulus.Kinds() {
		names = append(names, k.Name())
	}
	return kind, usageError("no kind %q%s; accepted: %s", name, didYouMean(name, names), strings.Join(names, ", "))
}

// settingsOf adds a flag for every setting of a kind of signal.
func settingsOf(kind stimulus.Kind, f *pflag.FlagSet) signalFlags {
	s := signalFlags{kind, map[string]*string{}}
	for _, setting := range kind.Settings() {
		text := fmt.Sprintf("%s, `%s` (%s; default %s)", setting.Help, setting.Unit, setting.Accepted, setting.Default)
		if setting.Unit == "" {
			text = fmt.Sprintf("%s (`number`: %s; default %s)", setting.Help, setting.Accepted, setting.Default)
		}
		s.settings[setting.Key] = f.String(flagOf(setting.Key), "", text)
	}
	return s
}

// flagOf is a setting's flag. A louder level is asked for in the same word with
// every kind.
func flagOf(key string) string {
	if key == "peak_dbfs" {
		return "level-dbfs"
	}
	return strings.ReplaceAll(key, "_", "-")
}

// asked returns the signal that the flags describe.
func (s signalFlags) asked(f *pflag.FlagSet) (stimulus.Signal, error) {
	given := map[string]string{}
	for key, value := range s.settings {
		if f.Changed(flagOf(key)) {
			given[key] = *value
		}
	}
	return s.kind.With(given)
}

// named replaces the name of a setting in an error by its flag.
func named(err error) error {
	if s, ok := err.(*dsp.SettingError); ok {
		return fmt.Errorf("--%s: found %s; accepted: %s", flagOf(s.Setting), s.Found, s.Accepted)
	}
	return err
}
