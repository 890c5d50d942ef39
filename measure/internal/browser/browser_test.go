package browser

import (
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp/dsptest"
)

// What the tests of pages rely on: a request and a message are noticed.
func TestWhatAPageDoesIsNoticed(t *testing.T) {
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
