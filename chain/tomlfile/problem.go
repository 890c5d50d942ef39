package tomlfile

import (
	"fmt"
	"sort"
	"strings"
	"unicode"
	"unicode/utf8"
)

// FileError is the list of a file's problems, in the order of the file.
type FileError struct {
	Path     string
	Problems []Problem
}

// NewFileError is a *FileError with the problems in order, nil if there are
// none.
func NewFileError(path string, problems []Problem) error {
	if len(problems) == 0 {
		return nil
	}
	return &FileError{path, InOrder(problems)}
}

func (e *FileError) Error() string {
	var parts []string
	if n := len(e.Problems); n > 1 {
		parts = append(parts, fmt.Sprintf("%s: %d problems", e.Path, n))
	}
	for _, p := range e.Problems {
		parts = append(parts, p.Error())
	}
	return strings.Join(parts, "\n")
}

// Problem is one fault of a file, or one warning about it. Lines and columns count from
// 1, columns in characters. Line 0: the problem has no single place.
type Problem struct {
	Path         string
	Line, Column int
	Key          string // the key or part it is about; empty: the file
	Found        string // what is there
	Accepted     string // what would be accepted, with its unit
	Hint         string // what to do

	source string // the line of the place
	width  int    // characters that are wrong
}

// Error returns the place, what was found and what to do on one line, then what is
// accepted, then the line of the file with a marker under the place.
func (p Problem) Error() string {
	var b strings.Builder
	if p.Path != "" {
		b.WriteString(p.Path)
		b.WriteString(":")
	}
	if p.Line > 0 {
		fmt.Fprintf(&b, "%d:%d:", p.Line, p.Column)
	}
	if b.Len() > 0 {
		b.WriteString(" ")
	}
	if p.Key != "" {
		key := []rune(p.Key)
		if len(key) > shownCharacters {
			key = append(key[:shownCharacters:shownCharacters], '…')
		}
		b.WriteString(string(key) + ": ")
	}
	b.WriteString(p.Found)
	if p.Hint != "" {
		b.WriteString("; " + p.Hint)
	}
	if p.Accepted != "" {
		b.WriteString("\n  accepted: " + p.Accepted)
	}
	if p.source != "" {
		b.WriteString("\n" + p.picture())
	}
	return b.String()
}

// shownCharacters is how much of a long line is shown.
const shownCharacters = 96

func (p Problem) picture() string {
	line := []rune(p.source)
	for i, r := range line {
		if !unicode.IsPrint(r) {
			line[i] = ' '
		}
	}
	at, width := min(p.Column-1, len(line)), max(p.width, 1)
	if at > shownCharacters/2 {
		cut := at - shownCharacters/4
		line, at = append([]rune("…"), line[cut:]...), at-cut+1
	}
	if len(line) > shownCharacters {
		line = append(line[:shownCharacters:shownCharacters], '…')
	}
	width = max(1, min(width, len(line)-at))
	number := fmt.Sprint(p.Line)
	return fmt.Sprintf("  %s | %s\n  %s | %s%s", number, strings.TrimRight(string(line), " "),
		strings.Repeat(" ", len(number)), strings.Repeat(" ", at), strings.Repeat("^", width))
}

// Span is a piece of the file, in bytes.
type Span struct{ From, Length int }

// Places turns bytes of a file into lines and columns.
type Places struct {
	Path   string
	Text   []byte
	whole  string // the text, of which problems show lines
	starts []int  // where each line starts
}

// NewPlaces finds the lines of a text.
func NewPlaces(path string, text []byte) *Places {
	p := &Places{Path: path, Text: text, whole: string(text), starts: []int{0}}
	for i, b := range text {
		if b == '\n' {
			p.starts = append(p.starts, i+1)
		}
	}
	return p
}

// LineOf is the number of the line, from 1, that holds a byte.
func (p *Places) LineOf(at int) int {
	return sort.Search(len(p.starts), func(i int) bool { return p.starts[i] > at })
}

// line is the text of a line without its end.
func (p *Places) line(number int) string {
	from, to := p.starts[number-1], len(p.Text)
	if number < len(p.starts) {
		to = p.starts[number] - 1
	}
	return strings.TrimSuffix(p.whole[from:to], "\r")
}

// Point adds the place in the file to a problem.
func (p *Places) Point(at Span, problem Problem) Problem {
	at.From = min(max(at.From, 0), len(p.Text))
	end := min(at.From+at.Length, len(p.Text))
	problem.Path = p.Path
	problem.Line = p.LineOf(at.From)
	problem.Column = utf8.RuneCount(p.Text[p.starts[problem.Line-1]:at.From]) + 1
	problem.source = p.line(problem.Line)
	problem.width = utf8.RuneCount(p.Text[at.From:end])
	return problem
}

// MaxProblems is the largest number of problems that are reported at once.
const MaxProblems = 100

// InOrder sorts problems by place and limits their number to MaxProblems.
func InOrder(problems []Problem) []Problem {
	sort.SliceStable(problems, func(i, j int) bool {
		a, b := problems[i], problems[j]
		if a.Line != b.Line {
			return a.Line < b.Line
		}
		return a.Column < b.Column
	})
	if more := len(problems) - MaxProblems; more > 0 {
		last := problems[MaxProblems]
		problems = append(problems[:MaxProblems:MaxProblems], Problem{
			Path: last.Path, Line: last.Line, Column: last.Column,
			Found: fmt.Sprintf("%d more problems from here on", more), Hint: "correct the ones above first",
		})
	}
	return problems
}
