package instrument

import (
	"fmt"
	"strings"
)

// splitWords splits a command line into words, see ParseCommand. It refuses shell operators
// that stand alone: they cannot be meant as words.
func splitWords(line string) ([]string, error) {
	var words []string
	var word strings.Builder
	var quote rune
	inWord, plain, escaped := false, true, false
	end := func() error {
		if !inWord {
			return nil
		}
		if w := word.String(); plain && strings.Contains(" | || & && ; < > >> 2> 2>&1 ", " "+w+" ") {
			return fmt.Errorf("found %q, which only a shell understands; write sh -c '… \"$0\" … \"$1\"' {in} {out}", w)
		}
		words = append(words, word.String())
		word.Reset()
		inWord, plain = false, true
		return nil
	}
	for _, r := range line {
		switch {
		case escaped:
			word.WriteRune(r)
			escaped = false
		case r == '\\' && quote != '\'':
			inWord, plain, escaped = true, false, true
		case quote != 0:
			if r == quote {
				quote = 0
			} else {
				word.WriteRune(r)
			}
		case r == '\'' || r == '"':
			inWord, plain, quote = true, false, r
		case r == ' ' || r == '\t' || r == '\n':
			if err := end(); err != nil {
				return nil, err
			}
		default:
			inWord = true
			word.WriteRune(r)
		}
	}
	if quote != 0 {
		return nil, fmt.Errorf("found no closing %c", quote)
	}
	if escaped {
		return nil, fmt.Errorf(`found a backslash at the end, and nothing after it`)
	}
	err := end()
	return words, err
}
