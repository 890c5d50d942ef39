package browser

import (
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp/dsptest"
)

// Requests and console messages of a page are recorded, which the tests of pages rely on.
func TestRequestsAndMessagesAreRecorded(t *testing.T) {
	dsptest.Exhaustive(t)
	tab := Start(t)
	tab.Open(t, []byte(`<!doctype html><title>x</title><img src="data:image/png;base64,AAAA"><img src="file:///nowhere.png"><script>console.log("spoken"); nothing()</script>`), 800)
	if got := Ask[int](t, tab, "innerWidth"); got != 800 {
		t.Errorf("the window is %d px wide; accepted: 800", got)
	}
	requests, messages := tab.Noticed()
	said, asked := strings.Join(messages, "\n"), strings.Join(requests, "\n")
	if !strings.Contains(said, "spoken") || !strings.Contains(said, "ncaught") || !strings.Contains(asked, "nowhere.png") {
		t.Errorf("messages %q, requests %q", said, asked)
	}
}

// Text and graphics with too little contrast are found in their colour scheme, and no others.
func TestWeakColoursAreFound(t *testing.T) {
	dsptest.Exhaustive(t)
	tab := Start(t)
	page := `<!doctype html><title>x</title><style>body{background:#fff;color:#767676}svg .p{fill:#fff}.f0{fill:#0072B2}.b{fill:#fff;stroke:#000}@media screen and (prefers-color-scheme:dark){.late{color:#000;background:#333}}PLUS</style>
<p>4.54 to 1 on white</p><p class="late">dark on dark</p><button style="border:1px solid #949494" disabled><i style="color:#ddd">off</i></button>
<svg width="50" height="50"><title>s</title><rect class="p" width="50" height="50"/><path class="b" d="M0 0h9v9z"/><path class="f0" d="M0 0h9v9z"/><text x="5" y="20">t</text></svg>`
	for _, c := range []struct {
		plus string
		on   Media
		weak string // words that each thing found holds, "" for nothing
	}{
		{"", Media{}, ""},
		{"", Media{Dark: true}, "late"},
		{"", Media{Dark: true, Print: true}, ""},
		{"p{color:#777}", Media{}, "4.54 to 1"}, // 4.48 to 1
		{".f0{fill:#E69F00}", Media{}, "path f0, fill"},
		{".b{fill:#555}", Media{}, "path f0, fill"}, // blue on a dark band
		{".b{stroke:#ccc}", Media{}, "path b, line"},
		{"svg text{fill:#aaa}", Media{}, "s: t"},
	} {
		tab.Open(t, []byte(strings.Replace(page, "PLUS", c.plus, 1)), 800)
		tab.ShowOn(t, c.on)
		got := tab.Colours(t)
		if (c.weak == "") != (len(got.Weak) == 0) || !strings.Contains(strings.Join(got.Weak, "\n"), c.weak) || got.Text < 3 || got.Graphics < 2 {
			t.Errorf("%q on %v: found %+v; accepted: %q", c.plus, c.on, got, c.weak)
		}
	}
}
