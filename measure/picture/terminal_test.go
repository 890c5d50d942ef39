package picture

import (
	"fmt"
	"strings"
	"testing"
)

type fataler interface{ Fatalf(string, ...any) }

func checkTerminal(t fataler, p Picture, s Screen) {
	text := Terminal(p, s)
	for line := range strings.Lines(text) {
		line = strings.TrimSuffix(line, "\n")
		if w := columns(line); w > float64(max(s.Width, 40)) {
			t.Fatalf("%s: a line is %g wide; accepted: %d\n%q", p.Name, w, s.Width, line)
		}
		if line != strings.TrimRight(line, " ") {
			t.Fatalf("%s: blanks at the end of %q", p.Name, line)
		}
		for _, r := range line {
			if r < 0x20 || !s.Braille && r > 0x7E {
				t.Fatalf("%s: found the character %U in %q", p.Name, r, line)
			}
		}
	}
}

func TestTerminalIsAsWideAsAsked(t *testing.T) {
	for _, p := range samples() {
		for _, width := range []int{0, 40, 80, 200} {
			for _, braille := range []bool{false, true} {
				checkTerminal(t, p, Screen{Width: width, Braille: braille})
			}
		}
	}
}

// The static curve is drawn where its values are: at the lower left end, at the knee,
// at the right end; the declared curve lies under the measured dots.
func TestTerminalDrawsACurve(t *testing.T) {
	p := Picture{Title: "Static curve", Caption: "2 to 1 above −20 dBFS.", Panels: []Panel{{
		X: Axis{Name: "input", Unit: "dBFS", Min: -40, Max: 0}, Y: Axis{Name: "output", Unit: "dBFS", Min: -40, Max: 0},
		Series: []Series{
			{Name: "declared", Role: Declared, Points: []Point{{-40, -40}, {-20, -20}, {0, -10}}},
			{Name: "measured", Kind: Dots, Points: []Point{{-40, -40}, {-20, -20}, {0, -10}}}},
		Marks: []Mark{{"ceiling", -4, false}},
	}}}
	got := Terminal(p, Screen{Width: 50, Rows: 9})
	want := `Static curve
output, dBFS
       0|
        |---------------------------------ceiling-
        |                                        *
        |                              oooooooooo
     -20|                    *ooooooooo
        |               ooooo
        |          ooooo
        |     ooooo
     -40|*oooo
        +-----------------------------------------
        -40       -30       -20       -10        0
                        input, dBFS
o declared, * measured
2 to 1 above -20 dBFS.
`
	if got != want {
		t.Errorf("found:\n%s\naccepted:\n%s", got, want)
	}
}

func Example() {
	p := Picture{Name: "gain", Title: "Gain of the limiter", Caption: "It took 6 dB at most.", Panels: []Panel{{
		X: Axis{Name: "time", Scale: Time, Max: 4}, Y: Axis{Name: "gain", Unit: "dB", Min: -8, Max: 0},
		Series: []Series{{Points: []Point{{0, 0}, {1, 0}, {1.5, -6}, {2, -6}, {3, 0}, {4, 0}}}},
	}}}
	fmt.Print(Terminal(p, Screen{Width: 40, Rows: 5}))
	// Output:
	// Gain of the limiter
	// gain, dB
	//        0|*********              ********
	//         |         *           **
	//       -5|          *       ***
	//         |           *******
	//         |
	//         +-------------------------------
	//       0:00:00        0:00:02     0:00:04
	//                   time, h:mm:ss
	// It took 6 dB at most.
}
