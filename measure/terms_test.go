package measure

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// Every name of a reading that stands in the code can be explained: string constants
// that end in a unit, and what is handed to the functions that add readings.
func TestEveryReadingIsExplained(t *testing.T) {
	unit := regexp.MustCompile(`^[a-z][a-z0-9_]*_(dbfs|dbtp|lufs|lu|db|dbu|dbv|ms|frames|hz|ppm|percent|bits|steps|samples)$`)
	// Settings, columns of tables and parts of names are no readings.
	other := map[string]bool{"hz_db": true, "khz_db": true, "low_hz": true, "passband_hz": true, "rate_hz": true, "frequency_hz": true, "time_ms": true, "in_dbfs": true, "out_dbfs": true, "group_delay_ms": true, "excerpt_frames": true,
		"momentary_lufs": true, "short_term_lufs": true, "level_db": true, "levels_ms": true, "levels_dbfs": true, "third_octaves_dbfs": true, "a_db": true, "ccir_rms_db": true, "load_hz": true, "noise_bandwidth_hz": true, "declared_gain_db": true, "level_dbfs": true, "a_dbfs": true, "b_dbfs": true, "difference_dbfs": true, "response_db": true, "harmonics_noise_db": true}
	adders := map[string]string{"add": "", "Add": "", "AddLevel": "", "cannot": "", "addFor": "", "AddRatio": "_db", "AddFrames": "_frames", "addGain": ""}
	seen := 0
	for _, dir := range []string{".", "take", "compare", "instrument", "proof", "expect"} {
		files, err := filepath.Glob(filepath.Join(dir, "*.go"))
		if err != nil {
			t.Fatal(err)
		}
		for _, file := range files {
			if strings.HasSuffix(file, "_test.go") || filepath.Base(file) == "terms.go" {
				continue
			}
			text, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			tree, err := parser.ParseFile(token.NewFileSet(), file, text, 0)
			if err != nil {
				t.Fatal(err)
			}
			check := func(name string) {
				seen++
				if _, known := Explain(name); !known && !other[name] {
					t.Errorf("%s: %s is not explained", file, name)
				}
			}
			ast.Inspect(tree, func(n ast.Node) bool {
				switch n := n.(type) {
				case *ast.BasicLit:
					if s, err := strconv.Unquote(n.Value); n.Kind == token.STRING && err == nil && unit.MatchString(s) && !strings.Contains(s, "%") {
						check(s)
					}
				case *ast.CallExpr:
					selector, ok := n.Fun.(*ast.SelectorExpr)
					if !ok {
						break
					}
					suffix, adds := adders[selector.Sel.Name]
					for _, arg := range n.Args {
						lit, isLit := arg.(*ast.BasicLit)
						if !adds || !isLit || lit.Kind != token.STRING {
							continue
						}
						if s, err := strconv.Unquote(lit.Value); err == nil && regexp.MustCompile(`^[a-z0-9_]+$`).MatchString(s) && len(s) > 2 {
							check(s + suffix)
						}
						break
					}
				}
				return true
			})
		}
	}
	if seen < 150 {
		t.Errorf("%d names were found; there are more", seen)
	}
	for _, name := range []string{"dc_dbfs_ch2", "harmonic7_percent", "linearity_m60_db", "residual_3150hz_dbfs", "gain_at_31p5hz_db", "group_delay_at_10khz_ms", "mains3_dbfs"} {
		if _, known := Explain(name); !known {
			t.Errorf("%s is not explained", name)
		}
	}
	if _, known := Explain("true_peek_dbtp"); known {
		t.Error("a wrong name is explained")
	}
}

// Texts take their figures from the constants that the meters use.
func TestTermsStateTheConstants(t *testing.T) {
	for name, want := range map[string]string{
		"over_events":               fmt.Sprintf("nearer than %d ms", mergeMs),
		"first_window_overshoot_db": fmt.Sprintf("first %d ms", FirstWindowMs),
	} {
		term, _ := Explain(name)
		if !strings.Contains(term.String(), want) {
			t.Errorf("%s: %q, want %q", name, term, want)
		}
	}
}
