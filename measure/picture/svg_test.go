package picture

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/xml"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"
)

var update = flag.Bool("update", false, "write the digests of the pictures anew, and the pictures to $BOOTHBENCH_PICTURES")

// wellFormed reads a picture as XML and returns its ids, and what refers to them.
func wellFormed(t interface{ Fatalf(string, ...any) }, text string) (ids map[string]bool, names []string) {
	ids = map[string]bool{}
	d := xml.NewDecoder(strings.NewReader(text))
	for {
		token, err := d.Token()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatalf("not well-formed XML: %v\n%.2000s", err, text)
		}
		e, ok := token.(xml.StartElement)
		if !ok {
			continue
		}
		for _, a := range e.Attr {
			switch a.Name.Local {
			case "id":
				if ids[a.Value] {
					t.Fatalf("id %q twice", a.Value)
				}
				ids[a.Value] = true
			case "aria-labelledby":
				names = append(names, strings.Fields(a.Value)...)
			case "fill":
				if ref, ok := strings.CutPrefix(a.Value, "url(#"); ok {
					names = append(names, strings.TrimSuffix(ref, ")"))
				}
			case "clip-path":
				names = append(names, strings.TrimSuffix(strings.TrimPrefix(a.Value, "url(#"), ")"))
			case "x", "y", "width", "height", "cx", "cy":
				if v, err := strconv.ParseFloat(a.Value, 64); err != nil || v-v != 0 {
					t.Fatalf("%s: found %q; accepted: a number", a.Name.Local, a.Value)
				}
			}
		}
	}
	return ids, names
}

func TestPicturesAreWellFormed(t *testing.T) {
	all := map[string]bool{}
	for _, p := range samples() {
		for _, form := range []Form{Wide, Narrow} {
			text := SVG(p, form)
			ids, names := wellFormed(t, text)
			for _, name := range names {
				if !ids[name] {
					t.Errorf("%s: no element has the id %q", p.Name, name)
				}
			}
			for id := range ids {
				if all[id] {
					t.Errorf("id %q is in two pictures of a page", id)
				}
				all[id] = true
			}
			for _, part := range []string{`role="img"`, "<title id=", "<desc id=", Text(p.Caption)} {
				if !strings.Contains(text, part) {
					t.Errorf("%s lacks %q", p.Name, part)
				}
			}
			for _, banned := range []string{"<script", "href", "<style", "NaN", "Inf"} {
				if strings.Contains(text, banned) {
					t.Errorf("%s holds %q", p.Name, banned)
				}
			}
		}
	}
}

// Half an hour with two waves and three gains is the largest picture there is; the
// bound is what a page of several such pictures can bear.
func TestPicturesAreSmall(t *testing.T) {
	for _, p := range samples() {
		size := len(SVG(p, File))
		t.Logf("%-12s %6d bytes, narrow %6d", p.Name, size, len(SVG(p, Narrow)))
		if size > 120_000 {
			t.Errorf("%s: %d bytes; accepted: 120000", p.Name, size)
		}
	}
}

// The digests are the same on every processor: the arm64 run has this test too. After a
// change that is meant, look at the pictures, then run with -update.
func TestPicturesHaveTheSameBytesEverywhere(t *testing.T) {
	var b strings.Builder
	line := func(name, text string) {
		sum := sha256.Sum256([]byte(text))
		fmt.Fprintf(&b, "%s  %s\n", hex.EncodeToString(sum[:]), name)
	}
	for _, p := range samples() {
		line(p.Name+".svg", SVG(p, File))
		line(p.Name+"-narrow.svg", SVG(p, Narrow))
		line(p.Name+".txt", Terminal(p, Screen{Width: 80}))
		line(p.Name+"-braille.txt", Terminal(p, Screen{Width: 100, Rows: 20, Braille: true}))
		if dir := os.Getenv("BOOTHBENCH_PICTURES"); dir != "" {
			narrow := Narrow
			narrow.Alone = true
			for name, form := range map[string]Form{"": File, "-narrow": narrow} {
				if err := os.WriteFile(filepath.Join(dir, p.Name+name+".svg"), []byte(SVG(p, form)), 0o666); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	const golden = "testdata/digests.txt"
	if *update {
		if err := os.WriteFile(golden, []byte(b.String()), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if got := b.String(); got != string(want) {
		for i, l := range strings.Split(got, "\n") {
			if w := strings.Split(string(want), "\n"); i >= len(w) || w[i] != l {
				t.Errorf("changed: %s", l)
			}
		}
	}
}

// luminance is the relative luminance of WCAG 2.2.
func luminance(t *testing.T, hex string) float64 {
	v, err := strconv.ParseUint(strings.TrimPrefix(hex, "#")[:6], 16, 32)
	if err != nil {
		t.Fatal(err)
	}
	part := func(shift int) float64 {
		c := float64(v>>shift&255) / 255
		if c <= 0.04045 {
			return c / 12.92
		}
		return math.Pow((c+0.055)/1.055, 2.4)
	}
	return 0.2126*part(16) + 0.7152*part(8) + 0.0722*part(0)
}

func contrast(t *testing.T, a, b string) float64 {
	x, y := luminance(t, a), luminance(t, b)
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}

// WCAG 2.2 requires 3:1 for graphics (1.4.11) and 4.5:1 for text (1.4.3).
func TestContrast(t *testing.T) {
	if c := contrast(t, "#000000", "#ffffff"); math.Abs(c-21) > 1e-9 {
		t.Fatalf("black on white: %g; WCAG 2.2 defines 21", c)
	}
	// Okabe and Ito's sky blue and yellow fail on white, which is why there are two sets.
	if c := contrast(t, "#F0E442", "#ffffff"); c > 1.4 {
		t.Fatalf("yellow on white: %g", c)
	}
	for name, k := range map[string]ink{"light": light, "dark": dark} {
		for role, colour := range k.roles {
			if c := contrast(t, colour, k.paper); c < 3 {
				t.Errorf("%s: role %d has a contrast of %.2f; accepted: 3", name, role, c)
			}
		}
		for _, colour := range []string{k.text, k.soft} {
			if c := contrast(t, colour, k.paper); c < 4.5 {
				t.Errorf("%s: text %s has a contrast of %.2f; accepted: 4.5", name, colour, c)
			}
		}
	}
	seen := map[string]bool{}
	for _, d := range dashes {
		if seen[d] {
			t.Errorf("two roles have the dashes %q", d)
		}
		seen[d] = true
	}
}

// places reads the data of a path as a browser does (SVG 1.1, 8.3): M is a place, what
// follows l are distances.
func places(t *testing.T, data string) (all [][2]float64) {
	t.Helper()
	var x, y float64
	for _, part := range regexp.MustCompile(`[Ml][^MlZ]*`).FindAllString(data, -1) {
		numbers := regexp.MustCompile(`-?[0-9]*\.?[0-9]+`).FindAllString(part[1:], -1)
		if len(numbers)%2 != 0 {
			t.Fatalf("found %q", part)
		}
		for i := 0; i < len(numbers); i += 2 {
			a, _ := strconv.ParseFloat(numbers[i], 64)
			b, _ := strconv.ParseFloat(numbers[i+1], 64)
			if part[0] == 'l' {
				a, b = a+x, b+y
			}
			x, y = a, b
			all = append(all, [2]float64{x, y})
		}
	}
	return all
}

// Of 20,000 bins one is 100 dB above the others: it must be in the picture at its height.
func TestNoLineOfASpectrumIsLost(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		count := rapid.IntRange(2, 20000).Draw(t, "count")
		at := rapid.IntRange(0, count-1).Draw(t, "at")
		points := curve(count, func(i int) float64 { return 20 + float64(i) }, func(i int) float64 { return -120 })
		points[at].Y = -20
		x := side{Axis{Scale: Log, Min: 20, Max: 20020}, 50, 730}
		high, low := 0, 0
		for _, p := range thin(points, x) {
			if p == points[at] {
				high++
			}
			if p.Y == -120 {
				low++
			}
		}
		if high != 1 || low == 0 {
			t.Fatalf("the line is %d times in what is drawn, the floor %d times", high, low)
		}
		upper, lower := thinArea(points, points, x)
		high = 0
		for i := range upper {
			if upper[i].Y == -20 {
				high++
			}
			if lower[i].Y > upper[i].Y {
				t.Fatalf("the edges cross at %g", upper[i].X)
			}
		}
		if high != 1 {
			t.Fatalf("the largest value is %d times in the area", high)
		}
	})
}

// Values are where they belong: a straight line from corner to corner of each scale.
func TestPointsLieWhereTheyBelong(t *testing.T) {
	p := Picture{Name: "corner", Panels: []Panel{{
		X: Axis{Scale: Log, Min: 10, Max: 1000}, Y: Axis{Min: -40, Max: 0}, Height: 100,
		Series: []Series{{Points: []Point{{10, -40}, {100, -20}, {1000, 0}, {1000, math.NaN()}, {100, -10}}}},
	}}}
	text := SVG(p, Wide)
	box := regexp.MustCompile(`class="ax" x="([0-9.]+)" y="([0-9.]+)" width="([0-9.]+)" height="([0-9.]+)"`).FindStringSubmatch(text)
	line := regexp.MustCompile(`class="l k0" d="([^"]+)"`).FindStringSubmatch(text)
	if box == nil || line == nil {
		t.Fatal(text)
	}
	var b [4]float64
	for i := range b {
		b[i], _ = strconv.ParseFloat(box[i+1], 64)
	}
	want := [][2]float64{{b[0], b[1] + b[3]}, {b[0] + b[2]/2, b[1] + b[3]/2}, {b[0] + b[2], b[1]}, {b[0] + b[2]/2, b[1] + b[3]/4}}
	got := places(t, line[1])
	if len(got) != len(want) || strings.Count(line[1], "M") != 2 {
		t.Fatalf("found %q; accepted: 4 points, interrupted once", line[1])
	}
	for i, g := range got {
		// Coordinates are rounded to 0.01.
		if math.Abs(g[0]-want[i][0]) > 0.01 || math.Abs(g[1]-want[i][1]) > 0.01 {
			t.Errorf("point %d lies at %v; accepted: %v", i, g, want[i])
		}
	}
}

// With equal scales a unit is as long in both directions, in any form, and the panel
// below on the same axis is as wide; what does not fit is made smaller.
func TestEqualScales(t *testing.T) {
	frames := regexp.MustCompile(`<rect class="ax" x="([0-9.]+)" y="[0-9.]+" width="([0-9.]+)" height="([0-9]+)"`)
	rapid.Check(t, func(t *rapid.T) {
		wide, high := rapid.Float64Range(1, 200).Draw(t, "wide"), rapid.Float64Range(1, 200).Draw(t, "high")
		if wide/high > 10 || high/wide > 10 {
			t.Skip("equal scales would make a stripe of it")
		}
		x := Axis{Name: "input", Unit: "dB", Min: -wide}
		form := rapid.SampledFrom([]Form{File, Wide, Narrow}).Draw(t, "form")
		text := SVG(Picture{Name: "p", Panels: []Panel{
			{X: x, Y: Axis{Min: -high}, Height: 300, Equal: true}, {X: x, Y: Axis{Max: 1}, Height: 50},
		}}, form)
		found := frames.FindAllStringSubmatch(text, -1)
		if len(found) != 2 || found[0][2] != found[1][2] {
			t.Fatalf("frames %q; accepted: two of one width", found)
		}
		var v [3]float64
		for i := range v {
			v[i], _ = strconv.ParseFloat(found[0][i+1], 64)
		}
		// The width is rounded to a hundredth of a pixel.
		if ratio := v[1] / v[2] / (wide / high); math.Abs(ratio-1) > 1e-3 || v[2] > 300 || v[0]+v[1] > float64(form.Width) {
			t.Fatalf("frame %q: a unit of x is %.4f units of y long", found[0], ratio)
		}
	})
}

func TestTextKeepsNothingThatXMLCannotHold(t *testing.T) {
	for in, want := range map[string]string{
		"a\x00b\x1b[31m": "a\uFFFDb\uFFFD[31m",
		"<b>&\"'":        "&lt;b&gt;&amp;&#34;&#39;",
		"bad \xff utf8":  "bad \uFFFD utf8",
		"\uFFFE\uFFFF":   "\uFFFD\uFFFD",
		"a\u202Egnp.wav": "a\uFFFDgnp.wav", // would turn the rest around
		"line\nfeed":     "line feed",
		"Straße 日本 🎙":    "Straße 日本 🎙",
	} {
		if got := Text(in); got != want {
			t.Errorf("Text(%q) = %q; accepted: %q", in, got, want)
		}
	}
}

func TestMinus(t *testing.T) {
	for in, want := range map[string]string{
		"-18.8 LUFS": "−18.8 LUFS", "at most -1 dBTP": "at most −1 dBTP", "take-2.wav": "take-2.wav", "8-bit": "8-bit", "(-3 dB)": "(−3 dB)", "": "", "-": "-",
	} {
		if got := Minus(in); got != want {
			t.Errorf("Minus(%q) = %q; accepted: %q", in, got, want)
		}
	}
}

func TestTicksAreRoundAndFew(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := Axis{Scale: Scale(rapid.IntRange(0, 2).Draw(t, "scale")), Min: rapid.Float64().Draw(t, "min"), Max: rapid.Float64().Draw(t, "max")}.usable()
		labelled, lines := a.ticks(rapid.IntRange(1, 40).Draw(t, "count"))
		if len(labelled) > 100 || len(lines) > 200 {
			t.Fatalf("%d labels and %d lines from %g to %g", len(labelled), len(lines), a.Min, a.Max)
		}
		for _, v := range labelled {
			if s := a.share(v); !(s > -0.01 && s < 1.01) {
				t.Fatalf("%g lies at %g of the axis", v, s)
			}
		}
	})
	for _, c := range []struct {
		a    Axis
		n    int
		want string
	}{
		{Axis{Min: -60, Max: 0}, 6, "−60 −50 −40 −30 −20 −10 0"},
		{Axis{Min: -0.1, Max: 0.1}, 4, "−0.10 −0.05 0.00 0.05 0.10"},
		{Axis{Scale: Log, Min: 20, Max: 20000}, 10, "20 50 100 200 500 1k 2k 5k 10k 20k"},
		{Axis{Scale: Time, Max: 1800}, 4, "0:00:00 0:10:00 0:20:00 0:30:00"},
		{Axis{Scale: Time, Min: 59.5, Max: 60.5}, 2, "0:00:59.5 0:01:00.0 0:01:00.5"},
	} {
		labelled, _ := c.a.ticks(c.n)
		var got []string
		for _, v := range labelled {
			got = append(got, c.a.label(v, c.a.step(c.n)))
		}
		if s := strings.Join(got, " "); s != c.want {
			t.Errorf("found %q; accepted: %q", s, c.want)
		}
	}
}

// Whatever the names and the numbers are, a picture is well-formed, and no line in a
// terminal is longer than it is wide.
func FuzzPicture(f *testing.F) {
	for as := range uint8(4) {
		f.Add("take.wav", "</svg><script>", 0.0, 1.0, -1.0, uint8(0), uint8(1), as)
		f.Add("\x00\xff\u202e", "日本語日本語日本語", math.NaN(), math.Inf(1), 0.0, uint8(1), uint8(4), as)
		f.Add("", "-", 1e300, 1e-300, -1e300, uint8(2), uint8(5), as)
	}
	f.Fuzz(func(t *testing.T, name, text string, a, b, c float64, scale, kind, as uint8) {
		x := Axis{Name: text, Unit: name, Scale: Scale(scale % 3), Min: a, Max: b}
		y := Axis{Name: name, Unit: text, Scale: Scale(scale / 3 % 3), Min: b, Max: c}
		points := []Point{{a, b}, {b, c}, {c, a}, {a, math.NaN()}, {0, 0}, {a / 2, b / 2}}
		p := Picture{Name: name, Title: text, Caption: name + " " + text, Panels: []Panel{{
			X: x, Y: y, Height: int(kind), Series: []Series{{Name: name, Role: Role(kind % 5), Kind: Kind(kind % 6), Points: points, Lower: points}, {Name: text, Kind: Envelope, Points: points}},
			Bands: []Band{{text, points, points}}, Spans: []Span{{name, a, b}}, Marks: []Mark{{text, a, true}, {name, b, false}, {text + name, c, true}},
		}, {X: y, Y: x}}}
		switch as % 4 { // one way of drawing each time: four times as many pictures a second
		case 0, 1:
			drawn := SVG(p, []Form{File, Narrow}[as%4])
			wellFormed(t, drawn)
			if strings.Contains(drawn, "NaN") && !strings.Contains(name+text, "NaN") || !utf8.ValidString(drawn) {
				t.Fatal(drawn)
			}
		case 2:
			checkTerminal(t, p, Screen{Width: 40})
		case 3:
			checkTerminal(t, p, Screen{Width: 93, Braille: true})
		}
	})
}
