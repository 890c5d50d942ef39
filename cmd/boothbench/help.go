package main

import (
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/spf13/pflag"
	"golang.org/x/term"
)

// flags makes a command's flag set; usage is its help above the flag list.
func (e env) flags(name, usage string) *pflag.FlagSet {
	f := pflag.NewFlagSet(name, pflag.ContinueOnError)
	f.SetOutput(io.Discard)
	f.SortFlags = false
	f.Usage = func() {
		columns := e.helpColumns()
		fmt.Fprint(e.stdout, filled(usage, columns))
		if flags := f.FlagUsagesWrapped(columns); flags != "" {
			fmt.Fprintf(e.stdout, "\nFlags:\n%s", flags)
		}
	}
	return f
}

// widestHelp is how wide help is where there is room.
const widestHelp = 100

// helpColumns is how wide help is: as the terminal, or as COLUMNS says.
func (e env) helpColumns() int {
	n, err := strconv.Atoi(os.Getenv("COLUMNS"))
	if f, ok := e.stdout.w.(*os.File); ok && err != nil {
		n, _, err = term.GetSize(int(f.Fd()))
	}
	if err != nil || n < 40 {
		return widestHelp
	}
	return min(n, widestHelp)
}

// filled is a text whose paragraphs fit into a number of columns. What is set in, or
// has a label, is an example or a list and keeps its lines.
func filled(text string, columns int) string {
	paragraphs := strings.Split(text, "\n\n")
	for i, p := range paragraphs {
		if columns >= widestHelp || strings.HasPrefix(p, " ") || strings.Contains(p, "\n ") || strings.HasPrefix(p, "Usage:") {
			continue
		}
		end := ""
		if strings.HasSuffix(p, "\n") {
			end = "\n"
		}
		var b strings.Builder
		line := 0
		for _, word := range strings.Fields(p) {
			switch length := utf8.RuneCountInString(word); {
			case line > 0 && line+1+length > columns:
				b.WriteString("\n")
				line = length
			case line > 0:
				b.WriteString(" ")
				line += 1 + length
			default:
				line = length
			}
			b.WriteString(word)
		}
		paragraphs[i] = b.String() + end
	}
	return strings.Join(paragraphs, "\n\n")
}
