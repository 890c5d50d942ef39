package browser

import (
	"context"
	_ "embed"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

// Media are what a page can be shown on.
type Media struct {
	Print bool
	Dark  bool // what the reader prefers, on paper too
}

// EveryMedia is a screen in both colour schemes, and paper for a reader of either.
var EveryMedia = []Media{{}, {Dark: true}, {Print: true}, {Print: true, Dark: true}}

func (m Media) String() string {
	text := "screen, "
	if m.Print {
		text = "print, "
	}
	if m.Dark {
		return text + "dark"
	}
	return text + "light"
}

// ShowOn has the page shown as on other media.
func (tab *Tab) ShowOn(t testing.TB, m Media) {
	t.Helper()
	p := emulation.SetEmulatedMediaParams{Media: "screen", Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: "light"}}}
	if m.Print {
		p.Media = "print"
	}
	if m.Dark {
		p.Features[0].Value = "dark"
	}
	tab.Do(t, func(ctx context.Context, target *chromedp.Target) (chromedp.Void, error) {
		_, err := cdp.Call(ctx, target, emulation.SetEmulatedMedia, p)
		return chromedp.Void{}, err
	})
}

//go:embed colours.js
var colours string

// Colours is what a page's styles come to where they are applied.
type Colours struct {
	Paper string // of the body and of every picture: rgb(…), several with spaces between
	// Weak is what has too little contrast with what is behind it: text under 4.5:1 (WCAG
	// 2.2, success criterion 1.4.3), graphics and controls under 3:1 (1.4.11).
	Weak     []string
	Text     int // how many texts were looked at
	Graphics int
}

// Colours reads them.
func (tab *Tab) Colours(t testing.TB) Colours {
	t.Helper()
	return Ask[Colours](t, tab, colours)
}
