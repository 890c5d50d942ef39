package browser

import (
	"context"
	_ "embed"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

// Media is a medium and a colour scheme for a page.
type Media struct {
	Print bool
	Dark  bool // the preferred colour scheme, also for paper
}

// EveryMedia is screen and paper, each in both colour schemes.
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

// ShowOn shows the page as on a medium.
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

// Colours are the computed colours of a page.
type Colours struct {
	Paper string // of the body and of every picture: rgb(…), several with spaces between
	// Weak lists elements with too little contrast to their background: text below 4.5:1
	// (WCAG 2.2, success criterion 1.4.3), graphics and controls below 3:1 (1.4.11).
	Weak     []string
	Text     int // number of texts examined
	Graphics int
}

// Colours reads them.
func (tab *Tab) Colours(t testing.TB) Colours {
	t.Helper()
	return Ask[Colours](t, tab, colours)
}
