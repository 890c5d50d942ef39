package main

import (
	"fmt"
	"os"
	"strings"

	"golang.org/x/term"

	"github.com/boothbench/boothbench/measure/picture"
)

// plotHelp is the help text of --plot.
const plotHelp = "also draw the result with characters, as wide as the terminal"

// plotted refuses --plot together with --json.
func plotted(plot, asJSON bool) error {
	if plot && asJSON {
		return usageError("--plot and --json exclude each other")
	}
	return nil
}

// plot draws pictures behind the readings.
func (e env) plot(pictures ...picture.Picture) {
	for _, p := range pictures {
		fmt.Fprintf(e.stdout, "\n%s", picture.Terminal(p, e.screen()))
	}
}

// screen is the terminal that results go to: as wide as it is, or 80 characters, in
// braille where the locale's characters are UTF-8.
func (e env) screen() picture.Screen {
	s := picture.Screen{Width: 80, Braille: utf8Locale(os.Getenv) && os.Getenv("TERM") != "dumb"}
	if f, ok := e.stdout.w.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		if columns, _, err := term.GetSize(int(f.Fd())); err == nil && columns > 0 {
			s.Width = columns
		}
	}
	return s
}

// utf8Locale reports whether the locale's characters are UTF-8: by the first variable
// that is set of LC_ALL, LC_CTYPE and LANG (POSIX.1-2017, Base Definitions 8.2).
func utf8Locale(variable func(string) string) bool {
	for _, name := range []string{"LC_ALL", "LC_CTYPE", "LANG"} {
		if value := variable(name); value != "" {
			value = strings.ToLower(value)
			return strings.Contains(value, "utf-8") || strings.Contains(value, "utf8")
		}
	}
	return false
}
