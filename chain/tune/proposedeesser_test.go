package tune

import (
	"fmt"
	"strings"
	"testing"
)

// The reason against a de-esser never states a number that its own limit allows: of two to five
// sounds in all, or of their rate.
func TestReasonAgainstADeEsserDoesNotContradictItself(t *testing.T) {
	for events := range 40 {
		for seconds := 1.0; seconds < 900; seconds *= 1.01 {
			off := tooFewSharp(float64(events), seconds/60)
			if want := events < 2 || float64(events) < 3.95*seconds/60; (off != "") != want {
				t.Errorf("%d in %.2f s: %q", events, seconds, off)
			}
			var rate, limit float64
			if strings.Contains(off, "a minute of speech;") {
				if n, _ := fmt.Sscanf(off, "%f sharp s-sounds a minute of speech; a de-esser is worthwhile from %f on", &rate, &limit); n != 2 || rate >= limit {
					t.Errorf("%d in %.2f s: %q", events, seconds, off)
				}
			} else if off != "" && events >= 2 {
				t.Errorf("%d in %.2f s: %q", events, seconds, off)
			}
		}
	}
}
