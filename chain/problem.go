package chain

import (
	"fmt"
	"strings"
	"unicode/utf8"
)

// Problem is one thing that is wrong or doubtful in a chain file.
type Problem struct {
	Path         string
	Line, Column int // from 1; columns count characters
	Key          string
	Found        string
	Accepted     string
	Hint         string // what to do about it

	source string // the line
}

// Error is the problem in one line: place, key, what was found, what is
// accepted, what to do.
func (p Problem) Error() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s:%d:%d: ", p.Path, p.Line, p.Column)
	if p.Key != "" {
		fmt.Fprintf(&b, "%s: ", p.Key)
	}
	b.WriteString(p.Found)
	if p.Accepted != "" {
		fmt.Fprintf(&b, "; accepted: %s", p.Accepted)
	}
	if p.Hint != "" {
		fmt.Fprintf(&b, "; %s", p.Hint)
	}
	return b.String()
}

// picture is the line with a mark under the place.
func (p Problem) picture() string {
	if strings.TrimSpace(p.source) == "" {
		return ""
	}
	indent := []rune(p.source)[:min(p.Column-1, utf8.RuneCountInString(p.source))]
	for i, r := range indent {
		if r != '\t' {
			indent[i] = ' '
		}
	}
	return "    " + p.source + "\n    " + string(indent) + "^\n"
}

// FileError lists everything that is wrong with a chain file.
type FileError struct {
	Path     string
	Problems []Problem // in the order of their places, one at least
}

func (e *FileError) Error() string {
	var b strings.Builder
	if len(e.Problems) == 1 {
		b.WriteString("1 problem; nothing was done\n")
	} else {
		fmt.Fprintf(&b, "%d problems; nothing was done\n", len(e.Problems))
	}
	for _, p := range e.Problems {
		b.WriteString(p.Error() + "\n" + p.picture())
	}
	return strings.TrimRight(b.String(), "\n")
}

// Nearest returns the known word that a mistyped one most likely stands for,
// or "" if none is near.
func Nearest(word string, known []string) string {
	best, least := "", 1+max(1, len(word)/3)
	for _, k := range known {
		if d := distance(strings.ToLower(word), k); d < least {
			best, least = k, d
		}
	}
	return best
}

// distance is the number of single-letter edits and swaps of neighbours
// between two words (optimal string alignment).
func distance(a, b string) int {
	before, last := make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range last {
		last[j] = j
	}
	for i := 1; i <= len(a); i++ {
		row := make([]int, len(b)+1)
		row[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			row[j] = min(last[j]+1, row[j-1]+1, last[j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, last = last, row
	}
	return last[len(b)]
}
