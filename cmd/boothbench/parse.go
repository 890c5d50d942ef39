package main

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/pflag"

	"github.com/boothbench/boothbench/chain/tomlfile"
)

// parse parses flags. Its errors are usage errors, with the flag that was probably meant.
func parse(f *pflag.FlagSet, args []string) error {
	err := f.Parse(args)
	if err == nil || errors.Is(err, pflag.ErrHelp) {
		return err
	}
	var unknown *pflag.NotExistError
	if errors.As(err, &unknown) {
		return unknownFlag(f, unknown, args)
	}
	var invalid *pflag.InvalidValueError
	if errors.As(err, &invalid) {
		kind := map[string]string{"float64": "a number", "int": "a whole number", "int64": "a whole number", "uint64": "a whole number of 0 or more", "bool": "true or false", "float64Slice": "numbers, separated by commas"}[invalid.GetFlag().Value.Type()]
		if kind != "" {
			meant := ""
			if plain := plainNumber(invalid.GetValue()); plain != "" && strings.HasSuffix(kind, "number") {
				meant = ", such as " + plain
			}
			return usageError("--%s: found %q; accepted: %s%s", invalid.GetFlag().Name, invalid.GetValue(), kind, meant)
		}
	}
	var missing *pflag.ValueRequiredError
	if errors.As(err, &missing) {
		return usageError("--%s: found nothing after it; accepted: its value (see boothbench %s --help)", missing.GetFlag().Name, f.Name())
	}
	return usageError("%v (see boothbench %s --help)", err, f.Name())
}

// unknownFlag is the error for an unknown flag, with the flags that were probably meant. Flags have two
// hyphens and whole words; a file whose name begins with a hyphen is written with its
// folder.
func unknownFlag(f *pflag.FlagSet, unknown *pflag.NotExistError, args []string) error {
	var names []string
	f.VisitAll(func(flag *pflag.Flag) { names = append(names, flag.Name) })
	asked := unknown.GetSpecifiedName()
	if short := unknown.GetSpecifiedShortnames(); short != "" {
		asked = short
	}
	found := "--" + asked
	for _, arg := range args {
		if bare := strings.TrimLeft(arg, "-"); bare == asked || strings.HasPrefix(bare, asked+"=") {
			found = arg
		}
		if _, err := os.Lstat(arg); err == nil && strings.HasPrefix(arg, "-") && strings.TrimLeft(arg, "-") == asked {
			return usageError("%s: no such flag; the file of that name is written %s", arg, "."+string(filepath.Separator)+arg)
		}
	}
	name, _, _ := strings.Cut(asked, "=")
	var meant []string
	switch near := tomlfile.Nearest(name, names); {
	case slices.Contains(names, name):
		meant = []string{name}
	case len(name) == 1:
		for _, known := range names {
			if strings.HasPrefix(known, name) {
				meant = append(meant, known)
			}
		}
	case near != "":
		meant = []string{near}
	}
	if len(meant) == 0 || len(meant) > 4 {
		if strings.HasPrefix(found, "--") {
			return usageError("%s: no such flag; boothbench %s --help lists them", found, f.Name())
		}
		return usageError("%s: no such flag; flags are whole words after two hyphens (see boothbench %s --help)", found, f.Name())
	}
	return usageError("%s: no such flag; did you mean --%s?", found, strings.Join(meant, " or --"))
}

// swapped is the error of a call in which a take and a chain file have changed places;
// nil: they have not.
func swapped(chain string, takes []string) error {
	isSound := func(path string) bool { return slices.Contains(soundNames, strings.ToLower(filepath.Ext(path))) }
	for _, t := range takes {
		if isSound(chain) && strings.EqualFold(filepath.Ext(t), ".toml") {
			return usageError("found %s as the chain file and %s as a take; did you mean %[1]s --chain %[2]s?", chain, t)
		}
	}
	return nil
}

// plainNumber is a number as it is accepted that was written with a typographic minus, a decimal
// comma or a unit behind it; "" where none is recognised.
func plainNumber(text string) string {
	text = strings.NewReplacer("\u2212", "-", "\u2013", "-", ",", ".").Replace(strings.TrimSpace(text))
	end := len(text) - len(strings.TrimLeft(text, "+-.0123456789"))
	if _, err := strconv.ParseFloat(text[:end], 64); err != nil {
		return ""
	}
	return text[:end]
}
