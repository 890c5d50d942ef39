package listen

import (
	"encoding/base64"
	"encoding/binary"
	"fmt"
	"math"
	"math/big"
	"strings"
	"testing"
	"time"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/measure/internal/browser"
)

// hostile is a name with markup and quotes.
const hostile = `take </script><b id=x>&"1'`

// threeVersions are a tone, another one louder, and that again.
func threeVersions(t *testing.T) *Comparison {
	tone := func(gain, hz float64) dsp.Block {
		x := make([]float64, 2*rate)
		for i := range x {
			x[i] = gain * math.Sin(2*math.Pi*hz*float64(i)/rate) * (0.6 + 0.4*math.Sin(float64(i)/9000))
		}
		return dsp.Block{x}
	}
	return prepared(t, Settings{Unaligned: true}, source(hostile, tone(0.3, 440)), source("chain-B", tone(0.8, 523)), source("B-again", tone(0.8, 523)))
}

// rendered has the page's own desk play into memory: each version alone, switches, a loop.
const rendered = `(async () => {
 const d = JSON.parse(document.getElementById("sound").textContent), L = listening;
 const planes = await Promise.all(d.versions.map(L.unpack));
 const run = async plan => { const ctx = new OfflineAudioContext(1, 96000, 48000), k = new L.Desk(ctx, planes, 48000);
  k.master.gain.value = 1; k.settled = -1; plan(k); const b = await ctx.startRendering(); return b.getChannelData(0); };
 const b64 = x => { const u = new Uint8Array(x.buffer, x.byteOffset, x.byteLength); let s = ""; for (let i = 0; i < u.length; i += 8192) s += String.fromCharCode(...u.subarray(i, i + 8192)); return btoa(s); };
 const only = i => k => { k.gains[i].gain.value = k.lift[i]; k.on = i; k.play(0, 0); };
 return [b64(planes[0][0]), b64(planes[1][0]), b64(await run(only(0))), b64(await run(only(1))),
  b64(await run(k => { only(0)(k); k.choose(1, 1.0); })), b64(await run(k => { only(0)(k); k.choose(1, 0.5); k.choose(0, 0.502); })),
  b64(await run(k => { k.loop = [0.25, 0.75]; only(0)(k); k.play(0.25, 0); }))];
})()`

func floats(t *testing.T, text string) []float64 {
	t.Helper()
	b, err := base64.StdEncoding.DecodeString(text)
	if err != nil {
		t.Fatal(err)
	}
	x := make([]float64, len(b)/4)
	for i := range x {
		x[i] = float64(math.Float32frombits(binary.LittleEndian.Uint32(b[4*i:])))
	}
	return x
}

// wrongs lists the faults in how a page plays.
func wrongs(t *testing.T, tab *browser.Tab, c *Comparison) (name string, wrong []string) {
	page, _, err := c.Page(PageSettings{})
	if err != nil {
		t.Fatal(err)
	}
	name = tab.Open(t, page, 1000)
	var x [][]float64
	for _, text := range browser.Ask[[]string](t, tab, rendered) {
		x = append(x, floats(t, text))
	}
	same := func(name string, got, want []float64, most float64) {
		if len(got) != len(want) {
			wrong = append(wrong, fmt.Sprintf("%s: %d frames, and not %d", name, len(got), len(want)))
			return
		}
		for i := range got {
			if d := math.Abs(got[i] - want[i]); d > most {
				wrong = append(wrong, fmt.Sprintf("%s: off by %g at frame %d", name, d, i))
				return
			}
		}
	}
	var integers [2][]float64
	for i := range integers {
		whole, err := quantise(c.Versions[i].Planes, rate, i)
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range whole[0] {
			integers[i] = append(integers[i], float64(s)/32768)
		}
	}
	const fade = 384 // frames: 8 ms
	a, b := integers[0], integers[1]
	same("unpacked A", x[0], a, 0)
	same("unpacked B", x[1], b, 0)
	same("A alone", x[2], a, 0)
	same("B alone", x[3], b, 0)
	same("ahead of the switch", x[4][:rate], a[:rate], 0)
	same("behind the fade", x[4][rate+fade:], b[rate+fade:], 0)
	line := make([]float64, fade)
	for i := range line {
		g := float64(i) / fade
		line[i] = a[rate+i]*(1-g) + b[rate+i]*g
	}
	// Single precision: gains and products are rounded to 24 bits each.
	same("in the fade", x[4][rate:rate+fade], line, 2e-7)
	// Two switches within one fade: the second one waits, and there is no step. A tone of
	// 523 Hz at 0.4 moves by 0.028 a frame at most, the fade adds 0.003.
	for i := 1; i < len(x[5]); i++ {
		if d := math.Abs(x[5][i] - x[5][i-1]); d > 0.032 {
			wrong = append(wrong, fmt.Sprintf("two quick switches: a step of %g at frame %d", d, i))
			break
		}
	}
	same("after two quick switches", x[5][rate:], a[rate:], 0)
	loop := make([]float64, len(x[6]))
	for i := range loop {
		loop[i] = a[rate/4+i%(rate/2)]
	}
	same("loop of half a second", x[6], loop, 0)
	return name, wrong
}

func TestPagePlaysWhatWasPacked(t *testing.T) {
	dsptest.Exhaustive(t)
	c := threeVersions(t)
	tab := browser.Start(t)
	name, wrong := wrongs(t, tab, c)
	for _, w := range wrong {
		t.Error(w)
	}
	if n := browser.Ask[int](t, tab, `document.querySelectorAll("#x b, b").length`); n != 0 {
		t.Errorf("a name became %d elements", n)
	}
	requests, messages := tab.Noticed()
	for _, r := range requests { // its own file, and the worker's text
		if r != "file://"+name && !strings.HasPrefix(r, "blob:") {
			t.Errorf("the page asked for %s", r)
		}
	}
	if len(messages) > 0 {
		t.Errorf("the page wrote %q", messages)
	}
	// Planted faults are found.
	own := script
	defer func() { script = own }()
	for _, f := range []struct{ name, from, to string }{
		{"positive samples over 32767", "x[i] = last / 32768", "x[i] = last / 32767"},
		{"B a frame late", "s.start(this.t0, offset)", "s.start(this.t0 + (i === 1 ? 1 / this.rate : 0), offset)"},
		{"0.01 dB too loud", "this.lift = this.buffers.map(() => 1)", "this.lift = this.buffers.map(() => 1.001152)"},
		{"a wrong first sample", "let last = 0;", "let last = 1;"},
		{"a fade of equal power's length", "this.fade = 0.008", "this.fade = 0.012"},
		{"a loop that begins late", "[s.loopStart, s.loopEnd] = this.loop;", "[s.loopStart, s.loopEnd] = [this.loop[0] + 0.001, this.loop[1]];"},
		{"no waiting for the last fade", "Math.max(at ?? this.ctx.currentTime, this.settled)", "at ?? this.ctx.currentTime"},
	} {
		if script = strings.Replace(own, f.from, f.to, 1); script == own {
			t.Fatalf("%s: the script does not hold %q", f.name, f.from)
		}
		if _, wrong := wrongs(t, tab, c); len(wrong) == 0 {
			t.Errorf("%s: nobody noticed", f.name)
		}
	}
}

// tailOf is the chance of k or more of n at p = a/b, exactly.
func tailOf(n, k int, a, b int64) float64 {
	sum, p, q := new(big.Rat), big.NewRat(a, b), big.NewRat(b-a, b)
	power := func(r *big.Rat, e int) *big.Rat {
		out := big.NewRat(1, 1)
		for range e {
			out.Mul(out, r)
		}
		return out
	}
	for i := k; i <= n; i++ {
		term := new(big.Rat).SetInt(new(big.Int).Binomial(int64(n), int64(i)))
		sum.Add(sum, term.Mul(term, power(p, i)).Mul(term, power(q, n-i)))
	}
	f, _ := sum.Float64()
	return f
}

// The page's statistics against exact fractions, and Holm's against his own definition
// on an example worked by hand.
func TestPageStatistics(t *testing.T) {
	dsptest.Exhaustive(t)
	tab := browser.Start(t)
	page, _, err := threeVersions(t).Page(PageSettings{})
	if err != nil {
		t.Fatal(err)
	}
	tab.Open(t, page, 1000)
	for _, n := range []int{5, 8, 10, 12, 16, 20, 24, 30, 40} {
		k := 0
		for tailOf(n, k, 1, 2) >= 0.05 {
			k++
		}
		got := browser.Ask[[]float64](t, tab, fmt.Sprintf("[listening.least(%d), listening.tail(%[1]d, %[2]d), listening.tail(%[1]d, %[2]d, 0.8)]", n, k))
		// Sums of at most 41 terms in double precision.
		if got[0] != float64(k) || math.Abs(got[1]-tailOf(n, k, 1, 2)) > 1e-12 || math.Abs(got[2]-tailOf(n, k, 4, 5)) > 1e-12 {
			t.Errorf("%d trials: found %v; accepted: %d, %g, %g", n, got, k, tailOf(n, k, 1, 2), tailOf(n, k, 4, 5))
		}
	}
	if got := browser.Ask[int](t, tab, "listening.least(16, 2)"); got != 13 {
		t.Errorf("a preference of 16 trials needs %d; accepted: 13 (p = 0.021 two-sided)", got)
	}
	got := browser.Ask[[]float64](t, tab, "listening.holm([0.01, 0.04, 0.03])")
	for i, want := range []float64{0.03, 0.06, 0.06} { // 3*0.01; max(2*0.03, 1*0.04); 2*0.03
		if math.Abs(got[i]-want) > 1e-12 {
			t.Errorf("Holm: found %v", got)
			break
		}
	}
}

// Whole blind runs by the page's own buttons and keys.
func TestBlindRunsShowNothingBeforeTheEnd(t *testing.T) {
	dsptest.Exhaustive(t)
	c := threeVersions(t)
	page, key, err := c.Page(PageSettings{})
	if err != nil {
		t.Fatal(err)
	}
	tab := browser.Start(t)
	tab.Open(t, page, 400)
	until := func(what, expression string) {
		t.Helper()
		for start := time.Now(); !browser.Ask[bool](t, tab, expression); time.Sleep(50 * time.Millisecond) {
			if time.Since(start) > 30*time.Second {
				t.Fatal(what)
			}
		}
	}
	click := func(id string) {
		browser.Ask[bool](t, tab, fmt.Sprintf("(document.getElementById(%q).click(), true)", id))
	}
	until("the sound was not unpacked", `!document.getElementById("play").disabled`)
	click("begin")
	if said := browser.Ask[string](t, tab, `document.getElementById("say").textContent`); !strings.Contains(said, "Press Play first") {
		t.Errorf("a run began in silence: %q", said)
	}
	click("play")
	until("it does not play", `document.getElementById("say").textContent.startsWith("Playing take")`)
	click("begin")
	const trials = `(random => {
 const own = crypto.getRandomValues.bind(crypto), $ = id => document.getElementById(id), out = [];
 for (let i = 0; i < 16; i++) {
  const shots = ["a", "b", "x"].map(id => { $(id).click(); return $("blind").outerHTML + $("versions").outerHTML + document.title; });
  if (new Set(shots).size !== 1) out.push("trial " + i + ": what is shown depends on what plays");
  const seen = document.body.innerText;
  for (const word of ["chain-B", "again", "script", "LUFS"]) if (seen.includes(word)) out.push("trial " + i + ": shows " + word);
  if (/\d+ of \d+ right/.test(seen) || $("result").textContent !== "") out.push("trial " + i + ": shows a score");
  document.dispatchEvent(new KeyboardEvent("keydown", { key: "2" }));
  if (/Playing [^ABX]/.test($("say").textContent)) out.push("trial " + i + ": a digit names a version");
  $(random(i) ? "isB" : "isA").click();
 }
 return [out.join("; "), $("result").textContent];
})`
	// Alternate answers: some number of them is right.
	got := browser.Ask[[]string](t, tab, trials+"(i => i % 2)")
	if got[0] != "" {
		t.Error(got[0])
	}
	for _, part := range []string{"16 trials", "12 were needed", "one-sided", "80 % of such runs", key.Page, hostile} {
		if !strings.Contains(got[1], part) {
			t.Errorf("the result lacks %q: %s", part, got[1])
		}
	}
	if !strings.Contains(got[1], "Found:") && !strings.Contains(got[1], "not the same as no difference") {
		t.Errorf("the result %s", got[1])
	}
	// With a coin that falls on one side only, all answers are right: p = 2^-16.
	browser.Ask[bool](t, tab, `(crypto.getRandomValues = a => { a[0] = 0; return a; }, true)`)
	click("begin")
	got = browser.Ask[[]string](t, tab, trials+"(i => 0)")
	if got[0] != "" || !strings.Contains(got[1], "16 of 16 right") || !strings.Contains(got[1], "p = 0.0000") || !strings.Contains(got[1], "Holm") {
		t.Errorf("found %q", got)
	}
	// A run that is left has no result.
	click("begin")
	click("isA")
	click("begin")
	if said := browser.Ask[string](t, tab, `document.getElementById("result").textContent`); !strings.Contains(said, "Not finished") || strings.Contains(said, "right") {
		t.Errorf("a run that was left: %q", said)
	}
	if _, messages := tab.Noticed(); len(messages) > 0 {
		t.Errorf("the page wrote %q", messages)
	}
}

// In both colour schemes and on paper text and controls have enough contrast, and with any
// names nothing is wider than a narrow window.
func TestPageHasContrastInEveryScheme(t *testing.T) {
	dsptest.Exhaustive(t)
	c := threeVersions(t)
	c.Versions[1].Name = strings.Repeat("a-long-name-without-a-blank", 8)
	page, _, err := c.Page(PageSettings{})
	if err != nil {
		t.Fatal(err)
	}
	tab := browser.Start(t)
	for _, width := range []int{1000, 400} {
		tab.Open(t, page, width)
		for start := time.Now(); browser.Ask[bool](t, tab, `document.getElementById("play").disabled`); time.Sleep(50 * time.Millisecond) {
			if time.Since(start) > 30*time.Second {
				t.Fatal("the sound was not unpacked")
			}
		}
		browser.Ask[bool](t, tab, `(document.getElementById("result").textContent = "A result", document.querySelector("#versions button").click(), document.getElementById("blind").hidden = false, true)`)
		for _, on := range browser.EveryMedia {
			tab.ShowOn(t, on)
			got := tab.Colours(t)
			paper, controls := "rgb(255, 255, 255)", 10
			if on.Print {
				controls = 2 // nobody plays on paper
			} else if on.Dark {
				paper = "rgb(22, 24, 28)"
			}
			if got.Paper != paper || len(got.Weak) > 0 || got.Text < 10 || got.Graphics < controls {
				t.Errorf("%d px, %v: paper %s, accepted: %s; %d texts, %d controls; too faint: %s", width, on, got.Paper, paper, got.Text, got.Graphics, strings.Join(got.Weak, "\n"))
			}
			if w := browser.Ask[int](t, tab, "document.documentElement.scrollWidth"); w > width {
				t.Errorf("%v: the page is %d px wide in a window of %d", on, w, width)
			}
		}
	}
}
