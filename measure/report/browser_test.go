package report

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/expect"
	"github.com/boothbench/boothbench/measure/internal/browser"
	"github.com/boothbench/boothbench/measure/picture"
)

var pagesMade map[string][]byte

// everyPage is one page of every kind, by its name, and one with all that a picture can
// hold. They are made once.
func everyPage(t *testing.T) map[string][]byte {
	t.Helper()
	if pagesMade == nil {
		pagesMade = map[string][]byte{
			"take": readTake(t, demoSettings(t)).Page().HTML(), "chain": Chain(sheet(), []byte("schema = 1\n"), "v").HTML(), "devices": Devices(devices(4), "v").HTML(),
			"device": readDevice(t, claimsText).Page().HTML(), "sheets": Devices(OfSheets(sheetsOf(t), []string{"a.json", "b.json"}, nil), "v").HTML(),
			"history": History("History of checks", historyOf(3), nil, "v").HTML(), "every kind": pageOfEveryKind().HTML(),
		}
	}
	return pagesMade
}

func historyOf(runs int) (all []expect.HistoryRun) {
	for n := 1; n <= runs; n++ {
		all = append(all, historyRun(n, n < runs, map[string]map[string]float64{"ep1.wav": {"true_peak_dbtp": -3 + float64(n)}}))
	}
	return all
}

// pageOfEveryKind has every kind of series in every role, on a band and on a shaded
// stretch, and every verdict's look.
func pageOfEveryKind() Page {
	p := Page{Title: "Every kind", Verdict: measure.Fail, Answer: "All of it fails.", Do: []string{"Look at it."}, About: "Nothing."}
	for kind := picture.Line; kind <= picture.Envelope; kind++ {
		panel := picture.Panel{X: picture.Axis{Name: "x", Max: 10}, Y: picture.Axis{Name: "y", Max: 10},
			Bands: []picture.Band{{Name: "band", Upper: []picture.Point{{X: 0, Y: 8}, {X: 10, Y: 8}}, Lower: []picture.Point{{X: 0}, {X: 10}}}},
			Spans: []picture.Span{{Name: "stretch", From: 2, To: 8}}, Marks: []picture.Mark{{Name: "mark", At: 5}, {Name: "other mark", At: 5, Vertical: true}}}
		for role := picture.Measured; role <= picture.Fourth; role++ {
			s := picture.Series{Name: fmt.Sprint("role ", role), Role: role, Kind: kind}
			for x := range 11 {
				s.Points = append(s.Points, picture.Point{X: float64(x), Y: float64((x*7 + int(role)*3) % 11)})
				s.Lower = append(s.Lower, picture.Point{X: float64(x)})
			}
			panel.Series = append(panel.Series, s)
		}
		p.Sections = append(p.Sections, Section{Title: fmt.Sprint("Kind ", kind), Pictures: []picture.Picture{{Name: fmt.Sprint("kind-", kind), Title: "t", Caption: "s.", Panels: []picture.Panel{panel}}}})
	}
	return p.withRepeat([]string{"v"}, []byte("schema = 1\n"))
}

// In both colour schemes, wide and narrow, and on paper, text and graphics have enough
// contrast. Paper is white in both schemes.
func TestPagesHaveContrastInEveryScheme(t *testing.T) {
	dsptest.Exhaustive(t)
	tab := browser.Start(t)
	for name, page := range everyPage(t) {
		widths := []int{400} // where the names of columns stand in the cells too
		if name == "every kind" {
			widths = append(widths, 1000)
		}
		for _, width := range widths {
			tab.Open(t, page, width)
			for _, on := range browser.EveryMedia {
				tab.ShowOn(t, on)
				got := tab.Colours(t)
				paper := "rgb(255, 255, 255)"
				if on.Dark && !on.Print {
					paper = "rgb(22, 24, 28)"
				}
				if got.Paper != paper || len(got.Weak) > 0 || got.Text < 10 || got.Graphics < 10 {
					t.Errorf("%s, %d px, %v: paper %s, accepted: %s; %d texts, %d graphics; too faint: %s", name, width, on, got.Paper, paper, got.Text, got.Graphics, strings.Join(got.Weak, "\n"))
				}
			}
		}
	}
}

// In a browser: the page requests nothing, nothing is wider than the window, no text lies
// outside its picture; and the PDF has the content of collapsed parts.
func TestPagesInABrowser(t *testing.T) {
	dsptest.Exhaustive(t)
	tab := browser.Start(t)
	for name, page := range everyPage(t) {
		for _, width := range []int{1000, 800, 400} {
			file := tab.Open(t, page, width)
			fits(t, tab, name, width)
			if n := browser.Ask[int](t, tab, `[...document.querySelectorAll("svg")].filter(s => s.getBoundingClientRect().width > 0).length`); n == 0 {
				t.Errorf("%s at %d px shows no picture", name, width)
			}
			requests, messages := tab.Noticed()
			if len(messages) > 0 || requests[len(requests)-1] != "file://"+file {
				t.Errorf("%s: messages %q, requests %q", name, messages, requests)
			}
		}
	}
	pdftotext, err := exec.LookPath("pdftotext")
	if err != nil {
		if os.Getenv("BOOTHBENCH_REFERENCES") == "required" {
			t.Fatal("pdftotext is missing, and BOOTHBENCH_REFERENCES is required")
		}
		t.Skip("no pdftotext: the printed page is not read")
	}
	folder := t.TempDir()
	html, pdf := filepath.Join(folder, "p.html"), filepath.Join(folder, "p.pdf")
	if err := os.WriteFile(html, everyPage(t)["chain"], 0o666); err != nil {
		t.Fatal(err)
	}
	args := []string{"--headless", "--disable-gpu", "--no-pdf-header-footer", "--user-data-dir=" + filepath.Join(folder, "profile"), "--print-to-pdf=" + pdf, "file://" + html}
	if os.Geteuid() == 0 {
		args = append([]string{"--no-sandbox"}, args...)
	}
	if out, err := exec.Command(browser.Path(t), args...).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	printed, err := exec.Command(pdftotext, "-layout", pdf, "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	for i := range 54 {
		if !regexp.MustCompile(fmt.Sprintf(`claim%d_db\b`, i)).Match(printed) {
			t.Errorf("claim %d is not printed", i)
		}
	}
	for _, part := range []string{"The chain file", "schema = 1", "reason 25"} { // a closed part is open on paper
		if !bytes.Contains(printed, []byte(part)) {
			t.Errorf("%q is not printed", part)
		}
	}
	// 54 lines, 26 reasons and two pictures: where a column of reasons made nine pages
	// of the claims alone.
	if pages := bytes.Count(printed, []byte("\f")); pages > 5 {
		t.Errorf("%d pages", pages)
	}
}

// fits holds a page to its window, and text to its picture.
func fits(t *testing.T, tab *browser.Tab, name string, width int) {
	t.Helper()
	if w := browser.Ask[int](t, tab, "document.documentElement.scrollWidth"); w > width {
		t.Errorf("%s is %d px wide in a window of %d", name, w, width)
	}
	outside := browser.Ask[[]string](t, tab, `[...document.querySelectorAll("svg")].flatMap(s => {
 const box = s.getBoundingClientRect(); if (!box.width) return [];
 return [...s.querySelectorAll("text")].filter(x => { const b = x.getBoundingClientRect(); return b.left < box.left - 1 || b.right > box.right + 1 || b.top < box.top - 1 || b.bottom > box.bottom + 1; }).map(x => x.textContent); })`)
	for _, text := range outside {
		t.Errorf("%s at %d px: %q lies outside its picture", name, width, text)
	}
}
