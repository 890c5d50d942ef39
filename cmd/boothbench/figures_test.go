package main

import (
	"errors"
	"fmt"
	"go/ast"
	"go/constant"
	"go/parser"
	"go/token"
	"go/types"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// figure is a number with its unit in a text.
var figure = regexp.MustCompile(`(?:^|[^\w.,/])([+−-]?[0-9][0-9.,]*(?: (?:to|or) [0-9][0-9.]*)?[ -](?:ms|s|seconds|minutes|kHz|Hz|dBFS|dBTP|dBu|dBV|dB|LUFS|LU|frames|taps|places|ppm|GiB|%))(?:[^\w%]|$)`)

// stated is a text that states the value of a constant. %g stands for the figure.
type stated struct {
	words  string
	folder string // the package
	value  string // a constant of the package, or an expression of constants
}

// Where a text for users states a figure that the code has as a constant, the two are equal.
// Every other figure with a unit has its reason in figuresWithReason.
func TestFiguresInTextsAreThoseOfTheCode(t *testing.T) {
	texts := textsForUsers(t)
	var all []string
	for _, words := range texts {
		all = append(all, words...)
	}
	explained := map[string]bool{} // text and place of a figure
	mark := func(words string) bool {
		found := false
		for _, text := range all {
			for from := 0; ; {
				at := strings.Index(text[from:], words)
				if at < 0 {
					break
				}
				found = true
				for i := range len(words) {
					explained[fmt.Sprint(from+at+i, text)] = true
				}
				from += at + len(words)
			}
		}
		return found
	}
	packages := map[string]func(string) (float64, error){}
	for _, s := range constantsInTexts {
		if packages[s.folder] == nil {
			packages[s.folder] = constantsOf(t, s.folder)
		}
		value, err := packages[s.folder](s.value)
		if err != nil {
			t.Errorf("%s, %s: %v", s.folder, s.value, err)
			continue
		}
		number := strconv.FormatFloat(value, 'g', 6, 64)
		if !mark(strings.Replace(s.words, "%g", number, 1)) && !mark(strings.Replace(s.words, "%g", strings.Replace(number, "-", "−", 1), 1)) {
			t.Errorf("no text states %q, where %s of %s is %s", s.words, s.value, s.folder, number)
		}
	}
	for reason, phrases := range figuresWithReason {
		for _, words := range phrases {
			if !mark(words) {
				t.Errorf("no text has %q (%s)", words, reason)
			}
		}
	}
	for place, words := range texts {
		for _, text := range words {
			for _, m := range figure.FindAllStringSubmatchIndex(text, -1) {
				if !explained[fmt.Sprint(m[2], text)] {
					t.Errorf("%s: %q in %q: from which constant of the code, or for which reason?", place, text[m[2]:m[3]], text[max(0, m[2]-60):min(len(text), m[3]+30)])
				}
			}
		}
	}
}

// textsForUsers are the texts that a user reads, by file, with single spaces.
func textsForUsers(t *testing.T) map[string][]string {
	files, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	for _, folder := range []string{"chain", "chain/season", "chain/tune", "measure", "measure/bench", "measure/compare", "measure/conversation", "measure/expect", "measure/instrument", "measure/listen", "measure/proof", "measure/report", "measure/stimulus", "measure/take"} {
		names, err := filepath.Glob(filepath.Join("../..", folder, "*.go"))
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, names...)
	}
	texts := map[string][]string{}
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		file, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(file, func(n ast.Node) bool {
			if literal, ok := n.(*ast.BasicLit); ok && literal.Kind == token.STRING {
				text, err := strconv.Unquote(literal.Value)
				if err != nil {
					t.Fatal(err)
				}
				texts[name] = append(texts[name], strings.Join(strings.Fields(text), " "))
			}
			return true
		})
	}
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	// What follows is measured by the commands that it names.
	before, _, found := strings.Cut(string(readme), "\n## How fast\n")
	if !found {
		t.Fatal("README.md has no part \"How fast\"")
	}
	texts["README.md"] = []string{strings.Join(strings.Fields(before), " ")}
	return texts
}

// constantsOf evaluates an expression of the constants of a package, also of those that stand
// in one of its functions.
func constantsOf(t *testing.T, folder string) func(expression string) (float64, error) {
	set := token.NewFileSet()
	names, err := filepath.Glob(filepath.Join("../..", folder, "*.go"))
	if err != nil {
		t.Fatal(err)
	}
	var files []*ast.File
	for _, name := range names {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		file, err := parser.ParseFile(set, name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, file)
	}
	// The errors are of what other packages hold, which these constants do not need.
	config := types.Config{Error: func(error) {}, Importer: noPackages{}}
	pkg, _ := config.Check(folder, set, files, nil)
	return func(expression string) (float64, error) {
		places := []token.Pos{token.NoPos} // the package, then its functions
		for _, file := range files {
			for _, d := range file.Decls {
				if f, ok := d.(*ast.FuncDecl); ok && f.Body != nil {
					places = append(places, f.Body.Rbrace)
				}
			}
		}
		for _, place := range places {
			if v, err := types.Eval(set, pkg, place, expression); err == nil && v.Value != nil {
				x, _ := constant.Float64Val(constant.ToFloat(v.Value))
				return x, nil
			}
		}
		return 0, errors.New("no such constants")
	}
}

// noPackages imports nothing.
type noPackages struct{}

func (noPackages) Import(path string) (*types.Package, error) {
	return nil, fmt.Errorf("%s is not loaded", path)
}

// constantsInTexts are the figures that the code has as constants.
var constantsInTexts = []stated{
	{"Largest loudness over %g ms", "measure", "1000 * momentarySeconds"},
	{"Largest loudness over %g s", "measure", "shortTermSeconds"},
	{"on a %g ms grid", "measure", "1000.0 / slotsPerSecond"},
	{"gated at %g LUFS", "measure", "absoluteGateLUFS"},
	{"and %g LU.", "measure", "rangeGateLU"},
	{"relative gate of %g LU", "measure", "rangeGateLU"},
	{"short-term loudness (%g s)", "measure", "shortTermSeconds"},
	{"writes the loudness of every %g ms", "measure", "1000.0 * slotsPerHop / slotsPerSecond"},
	{"write the loudness of every %g ms", "measure", "1000.0 * slotsPerHop / slotsPerSecond"},
	{"too short: 0.2 s < %g s", "measure", "momentarySeconds"},
	{"the first %g ms after silence", "measure", "FirstWindowMs"},
	{"first %g ms", "measure", "FirstWindowMs"},
	{"256-tap sinc at %g places", "measure", "finePhases"},
	{"fine: %g places", "measure", "finePhases"},
	{"distribution of %g ms levels", "measure/take", "frameMs"},
	{"levels above %g Hz", "measure/take", "PauseHighPassHz"},
	{"from one stretch of %g ms to the next", "measure/take", "frameMs"},
	{"two levels more than %g dB apart", "measure/take", "secondFloorDB"},
	{"the quietest %g ms of each half second", "measure/take", "momentFrames * frameMs"},
	{"two groups %g dB apart", "measure/take", "twoVoicesDB"},
	{"sound that is %g dB or more above the noise", "measure/take", "overNoiseDB"},
	{"blocks of B (%g frames)", "measure/compare", "gainFrames"},
	{"median of windows of %g ms where B is clipped", "measure/compare", "trackMs"},
	{"sorted by A's level in steps of %g dB", "measure/compare", "classDB"},
	{"the difference is %g dB and 5 standard errors", "measure/compare", "leastLevelDB"},
	{"What a delay of up to %g s", "measure/compare", "mostLate"},
	{"nor what up to %g ms", "measure/compare", "mostEarly * 1000"},
	{"A delay of up to %g s is not extra", "measure/compare", "mostLate"},
	{"level over %g ms against the baseline", "measure/expect", "referenceMs"},
	{"blocks of %g ms in which far more changed", "measure/expect", "referenceMs"},
	{"largest difference of level in %g ms", "measure/proof", "traceMs"},
	{"milliseconds with %g dB of reduction or more", "chain", "WorkingDB"},
	{"reduces by %g dB or more", "chain", "WorkingDB"},
	{"gain falls by %g dB", "measure/instrument", "maximumCompressionDB"},
	{"from %g % to 63.2 %", "measure/instrument", "beginsShare * 100"},
	{"longer than %g minutes", "measure/compare", "inspectedSeconds / 60"},
	{"a band %g dB under the loudest", "measure/expect", "loudBandDB"},
	{"a seed moves %g ms that are 60 dB under the loudest", "measure/expect", "referenceMs"},
	{"momentary, %g ms", "measure", "1000 * momentarySeconds"},
	{"%s over %g ms from %s.", "measure", "1000 * momentarySeconds"},
	{"short-term, %g s", "measure", "shortTermSeconds"},
	{"off by more than %g LU", "chain/tune", "okLU"},
	{"more than %g LU off", "chain/tune", "okLU"},
	{"more than %g dB of limiting", "chain/tune", "DefaultLimitingDB"},
	{"noise lies within %g dB", "chain/tune", "oneFloorDB"},
	{"the expander opens %g dB over the noise", "chain/tune", "overFloorDB"},
	{"lowers the pauses by %g dB", "chain/tune", "mostRangeDB"},
	{"the compressor takes %g dB in the median", "chain/tune", "compressedDB"},
	{"median of their folder by more than %g LU", "chain/season", "outlierLU"},
	{"loudness is more than %g LU", "chain/season", "outlierLU"},
	{"less than %g s of sound above the loudness gate", "chain/season", "leastComparedSeconds"},
	{"looks %g frames ahead", "dsp", "VerificationFrames"},
	{"64 × %g taps", "dsp", "verifiedStride"},
	{"64 phases and %g taps", "dsp", "verifiedStride"},
	{"above the gate of %g LUFS", "measure", "absoluteGateLUFS"},
	{"No sound in them is above the gate of %g LUFS", "measure", "absoluteGateLUFS"},
	{"under the gate of %g LUFS", "measure", "absoluteGateLUFS"},
	{"changed by %g %; below 0", "measure/instrument", "beginsShare * 100"},
	{"changed by %g % to where", "measure/instrument", "beginsShare * 100"},
	{"lowered by more than %g dB:", "chain/tune", "loweredDB"},
	{"%g dB: five times the movement up to which", "measure/proof", "curveBoundDB"},
	{"%g dB: the ripple of the detector's mean square", "measure/proof", "gainBoundDB"},
	{"Hz at %g dBFS, without an s", "measure/stimulus", "DefaultPeakDBFS"},
	{"one sample of %g dBFS in silence", "measure/stimulus", "DefaultPeakDBFS"},
	{"of 10 s at %g dBFS", "measure/stimulus", "DefaultPeakDBFS"},
	{"a sine of 1 kHz at %g dBFS", "measure/stimulus", "DefaultPeakDBFS"},
	{"%g Hz, left at", "measure/stimulus", "StandardHz"},
	{"%g Hz, %+g dB relative to the ceiling", "measure/stimulus", "StandardHz"},
}

// figuresWithReason are the figures that no constant of the code has, by reason.
var figuresWithReason = map[string][]string{
	"10 log10(2), of a power, or twice that, of an amplitude": {
		"3.01 dB", "-3.01 dB", "−3.01 dB", "−3.01 dBFS", "+3.01 dBFS", "3.01 LU", "6.02 dB",
	},
	"1 − 1/e, and what follows from it": {"63.2 %", "A time to 90 %", "a time to 90 %"},
	"a definition": {
		"full-scale sine of 1 kHz reads 0", "brings to 0 dBFS:", "holds up to 0 dBFS", "furthest from 0 dB", "unity gain, 0 dB", "no notch of 3 dB from", "`\"-18 dBFS\"`", "more than 0 LU", "with range 0 dB",
		"(3 dB down)", "0 dBFS = %+.2f dBu", "0 dBm is 0 dBu", "only a tone of 997 Hz", "0.01 dB of error in a level",
		"a sample of 1.0 is 0 dBFS", "peaks at 0 dBFS", "a full-scale sine is 0 dBFS", // dBFS
		"1 LU is 1 dB", "what 0 LU is (−23 LUFS in EBU R 128)",
		"+4 dBu is 1.228 V", "0 dBu is −2.218 dBV", "0 dBV is +2.218 dBu; −10 dBV is", "+4 dBu and −10 dBV are 11.78 dB apart",
		"At 48 kHz 1 ms is 48 frames", "At 44.1 kHz 1 ms is 44.1 frames", "25 ppm are 90 ms in an hour",
		"12 dB/oct high-pass", "the period is 2^order - 1 frames", "of −3 dB; a shelf", "the −3 dB points", "# 3 dB down from 1 kHz",
	},
	"the name of the reading": {
		"the gain at 1 kHz", "the output is 0 at 1 kHz", "1 kHz lies outside", "1 kHz, or this harmonic", "within 2 dB of its last value", "from 10 % to 90 % of the change",
		"at 1 kHz: second harmonic", "The gain at 1 kHz is",
		"From 10 to 90 % of", "to within 2 dB of the final gain", "lowered by more than 1 dB:", "over 3 dB for %.1f",
		"at 1 kHz always", "is that at 31.5 Hz", "at 1 kHz and where it is largest",
	},
	"a standard": {
		"in 500 Hz bands", "harmonics 2 to %d up to 20 kHz", "no line of 50 or 60 Hz", "hum of 50 or 60 Hz", "belong to 50 as to 60 Hz",
		"−1 dBTP: EBU R 128", "20 Hz to 20 kHz", "a tone of −60 dBFS", "a tone of -60 dBFS", "THD+N reaches 1 %", "interpolator of 48 taps", "The two differ above 10 %",
		"to within 2 or 3 dB of the end (hearing-aid standards", "There is no single definition: 10 to 90 %", "above 4 GiB",
		"SMPTE 60 Hz + 7 kHz", "of 60 Hz and 7 kHz, 4:1 (SMPTE", "of 18 kHz and 20 kHz, 1:1 (AES17)", "997 Hz in steps", "THD+N of 997 Hz", "997 Hz over", "in steps of 5 dB (AES17)",
		"against 1 kHz", "above 1 kHz at which", "than at 1 kHz", "relative to its gain at 1 kHz", "The sensitivity is at 1 kHz", // IEC 61260-1's reference
	},
	"computed: a test or a closed form stands beside the code": {
		"(side lobes below −180 dB)", "1.76 − 4.77 dB", "280 dB below the tone", "reads up to 0.23 dB over a tone", "at which the filter then takes 0.5 dB", "95 % of what the steps", "15 dB of the curve", "moves no point of the curve by more than 0.1 dB", "60 dB over the rounding of 32-bit floating point, 20 dB under",
		"is within 0.5 dB of the median ratio",
		"up to 0.55 dB", "0.23 dB over it", "0.56 dB", "up to 3 dB higher on a tone", "limits it to 35 dB", "The notch removes 0.21 dB of a second harmonic and 0.07 dB of a third",
		"raises the noise by 4.77 dB", "Lower than unweighted by about 2 dB", "rises by 8.9 dB", "by 29.5 dB", "(by 7 dB in 1,024 frames, 14 dB in",
		"1 ms later cancel at 500 Hz, 1.5 kHz", "1 ms cancels at 500 Hz", "with a 6 dB knee", "Blocks of 31 to 62 ms", "third octaves from 125 Hz up", "IEC 61260-1, from 125 Hz up",
	},
	"an example": {
		"film of 24 frames",
		"-20 dBFS = 0.245 V", "peak_dbfs=-60 seconds",
		"such as -96 dBu", "such as -20 dBFS",
		"0 dBFS = +16 dBu", "0 dBFS = +18 dBu", `"-133 dBV in dBu"`, `"-20 dBFS in dBu"`, `"-72 dBFS-sine"`, `"-88 dBu"`, `"-20 dBFS" --loaded "-21.5 dBFS"`, `"4 dBu" --loaded "3.2 dBu"`,
		"preamp at +40 dB", "over -1 dBTP", "hz = 997, seconds",
		"[][]float64, 48 kHz", "too short: 0.2 s", "at most -42.0 dB", "of +6 dB, it rises", "a 12 kHz bell", "and 96 kHz", "a level 10 dB under the threshold comes out 20 dB under it", "a level 9 dB over the threshold comes out 3 dB over it",
	},
	"common practice": {
		"60 to 100 Hz is usual",
		"record 10 s of room tone", "Record 10 s of room tone",
		"by 1 to 3 dB (", "60 to 100 Hz for speech", "120 Hz thins", "within ±6 dB on a voice", "3 to 6 dB of reduction", "3 to 6 dB on s-sounds", "4 to 9 kHz", "4 kHz:", "9 kHz:",
		"Up to 3 dB of reduction is routine", "more than 6 dB indicates", "by 0.1 to 2 dB (", "speech some 10 dB less", "10 dB and more on speech", "some 10 dB over its RMS", "about 10 s:",
		"20 ms RMS reading", "of a 100 Hz voice", "6 dB over the steady noise floor",
	},
	"measured, by a test of the package": {
		"with samples 0 to 20 dB over the ceiling", "up to 1,500 ppm",
		"leaves up to -60 dB of what lies above 0.46 of the rate, and -100 dB below", "within 0.005 dB of the wave", "can read 0.25 dB under the sample peak and up to 0.23 dB",
		"two steps of 16 bits at -20 dBTP are 0.005 dB", "leaves -93.3 dBFS, and 3 dB for files", "at 24 bits it leaves -141.5 dBFS", "inverted in a part of 0.2 s or more", "a seed moves it by under 0.001 dB; settings go in steps of 0.05 dB", "by some 0.02 dB in ten seconds",
		"that are 60 dB under the loudest by up to 0.3 dB", "a meter shows, 0.1 LU (EBU", "some 3 dB where few blocks differ",
		"every bleed was right to within 0.3 dB", "every delay to within 0.02 frames", "the compressor's were within 0.1 dB", "the loudness within 0.1 LU", "the pauses within 1 dB",
		"under 0.01 dB in recordings at 48 kHz, up to 24 dB of drive", "at 8 kHz, up to 0.4 dB with a look-ahead of less than 24 frames, 0.25 dB from 24 frames on (0.5 ms at 48 kHz, 3 ms at 8 kHz), 0.1 dB from 132 on (3 ms at 44.1 kHz)",
		"by 0.3 to 0.8 dB", "Their samples lie 0 to 20 dB over the ceiling",
	},
	"a bound that the same function checks": {
		"accepted: 8000 to 384000 Hz", "-200 to 200 dBTP", "accepted: 1 Hz and more", "accepted: 2 to 65536 frames", "under 60 s (EBU Tech 3342)", "under -160 dBFS", "the octaves from 200 Hz to 6.4 kHz",
		"accepted: more than 0 dB", "accepted: -70 to 0 LUFS", "accepted: -60 to 0 dBTP", "-60 to 60 dBTP", "accepted: -120 to 60 dBTP", "accepted: -60 to 60 dB", "accepted: 0 to 60 dB", "no sound: 0 frames", "ms at 8 kHz, %g ms at 16 kHz",
	},
	"the tolerance, the level or the length beside which it stands": {
		"1 % of the ratio, or 0.03 dB", "up to 1 dB more:", "0.8 dB: moves", "right 12 dB lower", "1 % and two frames", "1 % and half a period", "1 %, and the half millisecond",
		"an error of 0.01 dB in the level", "is within 0.05 dB of its end", "1 %, and 0.1 dB over the levels", "more than 40 dB under the threshold", "0.5 %: a tenth", "2 %: less than a tenth", "5 %: by which", "2.5 %: by which", "2 % of the width", "5 %, as for a bell",
		"from 20 Hz to %g Hz", "look-ahead under 72 frames", "1.5 s of synthetic speech", "2 %: six standard deviations", "sweep of 10 s at", "bursts +6 dB", "bursts +10 dB", "bursts +20 dB",
		"is 0.1 LU or more under", "record 12 s as", "less than 20 dB above the noise before it",
	},
	"a page whose script has the same figure": {"starts at −30 dB", ">−30 dB<", "Difference 20 dB louder, level 20 dB lower"},
	"the default of lookahead_ms":             {"144 by default at 48 kHz", "a device of 3 ms", "its look-ahead alone, 3 ms"},
	"an argument of the rule's function":      {"predicted to take more than 1 dB in 0.5 %", "; more than 1 dB in %.1f", "the last 24 dB up to", "in steps of 0.2 dB"},
}
