package picture

import (
	"html"
	"strings"
	"unicode/utf8"
)

// Text escapes text for XML and HTML. Names of files and stages come from the user and may
// have any characters. What XML 1.0 (production 2, Char) excludes,
// control characters above all, becomes U+FFFD; <, >, &, ' and " are escaped. The
// characters that turn the direction of writing become U+FFFD as well, since they would
// reorder the text after the name.
func Text(s string) string { return html.EscapeString(clean(s)) }

func clean(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\t' || r == '\n' || r == '\r':
			return ' '
		case r < 0x20, r >= 0x7F && r < 0xA0, r == 0xFFFE, r == 0xFFFF,
			r >= 0x202A && r <= 0x202E, r >= 0x2066 && r <= 0x2069:
			return utf8.RuneError
		}
		return r
	}, strings.ToValidUTF8(s, "\uFFFD"))
}

// emWidth is how wide text is at most, in pixels, at a font size of 12. No font is
// known here: 0.66 em a character is more than the average of wide sans-serif fonts,
// and 1 em that of characters from U+1100 on (measured in Chromium, DejaVu Sans).
func emWidth(s string) float64 {
	w := 0.0
	for _, r := range s {
		switch {
		case r >= 0x1100 && !(r >= 0x2000 && r < 0x2E80):
			w += 12
		case strings.ContainsRune("MW@%mw—", r):
			w += 11.5
		case r == ' ' || strings.ContainsRune(".,:;'|!ijl", r):
			w += 5
		default:
			w += 7.9
		}
	}
	return w
}

// wrap breaks text into lines that are not wider than width by the measure given. A
// word that is wider alone is broken.
func wrap(s string, width float64, measure func(string) float64) (lines []string) {
	line := ""
	for _, word := range strings.Fields(clean(s)) {
		for measure(word) > width {
			if line != "" {
				lines, line = append(lines, line), ""
			}
			cut := 1
			runes := []rune(word)
			for cut < len(runes) && measure(string(runes[:cut+1])) <= width {
				cut++
			}
			lines, word = append(lines, string(runes[:cut])), string(runes[cut:])
			if word == "" {
				break
			}
		}
		switch {
		case word == "":
		case line == "":
			line = word
		case measure(line+" "+word) <= width:
			line += " " + word
		default:
			lines, line = append(lines, line), word
		}
	}
	if line != "" {
		lines = append(lines, line)
	}
	return lines
}

// shorten cuts text to a width in pixels, with an ellipsis where it was cut.
func shorten(s string, width float64, measure func(string) float64) string {
	s = clean(s)
	if measure(s) <= width {
		return s
	}
	runes := []rune(s)
	for len(runes) > 0 && measure(string(runes)+"…") > width {
		runes = runes[:len(runes)-1]
	}
	return string(runes) + "…"
}
