package tomlfile

import (
	"strings"
	"unicode/utf8"
)

// Nearest returns the known word that was probably meant, or "". A word that
// lacks only its unit ("threshold") or its first part ("window_ms") counts as
// near; otherwise one slip in three letters is allowed. Of equally near words it
// is the shortest.
func Nearest(word string, known []string) string {
	if len(word) > 40 {
		return ""
	}
	word = strings.ReplaceAll(strings.ToLower(word), "-", "_")
	best, bestDistance := "", len(word)/3+1
	for _, k := range known {
		plain := strings.ReplaceAll(strings.ToLower(k), "-", "_")
		d := 1
		if len(word) <= 2 || !strings.HasPrefix(plain, word+"_") && !strings.HasSuffix(plain, "_"+word) {
			// At least this many letters have to be inserted or deleted.
			if d = utf8.RuneCountInString(word) - utf8.RuneCountInString(plain); max(d, -d) > bestDistance {
				continue
			}
			d = distance(word, plain)
		}
		if d < bestDistance || d == bestDistance && best != "" && len(k) < len(best) {
			best, bestDistance = k, d
		}
	}
	return best
}

// distance counts the letters to insert, delete, replace or swap with their
// neighbour to turn a into b (optimal string alignment).
func distance(a, b string) int {
	x, y := []rune(a), []rune(b)
	before, last, row := make([]int, len(y)+1), make([]int, len(y)+1), make([]int, len(y)+1)
	for j := range last {
		last[j] = j
	}
	for i := 1; i <= len(x); i++ {
		row[0] = i
		for j := 1; j <= len(y); j++ {
			cost := 1
			if x[i-1] == y[j-1] {
				cost = 0
			}
			row[j] = min(row[j-1]+1, last[j]+1, last[j-1]+cost)
			if i > 1 && j > 1 && x[i-1] == y[j-2] && x[i-2] == y[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, last, row = last, row, before
	}
	return last[len(y)]
}
