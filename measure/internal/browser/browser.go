// Package browser runs pages in Chromium for tests, without a network and without a
// sound card.
package browser

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// Path is the path of Chromium. Where there is none the test is skipped with a message, or
// fails if BOOTHBENCH_REFERENCES is "required".
func Path(t testing.TB) string {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		if os.Getenv("BOOTHBENCH_REFERENCES") == "required" {
			t.Fatal("chromium is missing, and BOOTHBENCH_REFERENCES is required")
		}
		t.Skip("no chromium: pages are not tested")
	}
	return path
}

// Tab is an open page.
type Tab struct {
	ctx                context.Context
	lock               sync.Mutex // events come from another goroutine
	requests, messages []string
}

// Noticed returns the addresses that pages requested, including their own, and their messages
// on the console, including errors.
func (tab *Tab) Noticed() (requests, messages []string) {
	tab.lock.Lock()
	defer tab.lock.Unlock()
	return slices.Clone(tab.requests), slices.Clone(tab.messages)
}

// Start starts the browser. It is stopped after a minute and a half.
func Start(t testing.TB) *Tab {
	t.Helper()
	flags := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(Path(t)), chromedp.UserDataDir(t.TempDir()),
		chromedp.Flag("disable-gpu", true), chromedp.WSURLReadTimeout(60*time.Second),
		chromedp.Flag("autoplay-policy", "no-user-gesture-required")) // scripts may start sound
	if os.Geteuid() == 0 {
		flags = append(flags, chromedp.NoSandbox) // Chromium refuses root without it
	}
	ctx, cancel := chromedp.NewExecAllocator(context.Background(), flags...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	if err := chromedp.Do(ctx); err != nil { // this starts it; its context must have no deadline
		t.Fatal(err)
	}
	tab := &Tab{}
	if err := chromedp.Listen(ctx, func(event any) {
		tab.lock.Lock()
		defer tab.lock.Unlock()
		switch e := event.(type) {
		case *network.EventRequestWillBeSent:
			tab.requests = append(tab.requests, e.Request.URL)
		case *runtime.EventConsoleAPICalled:
			for _, a := range e.Args {
				tab.messages = append(tab.messages, string(a.Value))
			}
		case *runtime.EventExceptionThrown:
			tab.messages = append(tab.messages, fmt.Sprint(e.ExceptionDetails.Text))
		case *log.EventEntryAdded:
			tab.messages = append(tab.messages, e.Entry.Text)
		}
	}); err != nil {
		t.Fatal(err)
	}
	tab.ctx, cancel = context.WithTimeout(ctx, 90*time.Second)
	t.Cleanup(cancel)
	return tab
}

// Open writes a page to a file, opens it in a window of this width, and returns the
// file's name.
func (tab *Tab) Open(t testing.TB, page []byte, width int) string {
	t.Helper()
	name := filepath.Join(t.TempDir(), "page.html")
	if err := os.WriteFile(name, page, 0o666); err != nil {
		t.Fatal(err)
	}
	tab.Do(t, chromedp.EmulateViewport(int64(width), 900), chromedp.Navigate("file://"+name))
	return name
}

// Do runs steps.
func (tab *Tab) Do(t testing.TB, steps ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	if err := chromedp.Do(tab.ctx, steps...); err != nil {
		t.Fatal(err)
	}
}

// Ask is the value of an expression in the page; it waits for promises.
func Ask[T any](t testing.TB, tab *Tab, expression string) T {
	t.Helper()
	v, err := chromedp.Run(tab.ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
	if err != nil {
		t.Fatalf("%v in %.300s", err, expression)
	}
	return v
}
