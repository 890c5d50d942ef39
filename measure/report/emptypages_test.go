package report

import (
	"testing"

	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/expect"
	"github.com/boothbench/boothbench/measure/picture"
	"github.com/boothbench/boothbench/measure/proof"
	"github.com/boothbench/boothbench/measure/take"
)

// Pages and pictures without data are drawn, without an index error or a division by a rate
// of 0.
func TestPagesWithoutData(t *testing.T) {
	for name, page := range map[string]func() Page{
		"device":         (&Device{}).Page,
		"history":        func() Page { return History("", nil, nil, "") },
		"empty run":      func() Page { return History("", make([]expect.HistoryRun, 1), nil, "") },
		"devices":        func() Page { return Devices(OfSheets(nil, nil, nil), "") },
		"proof":          func() Page { return Chain(&proof.Sheet{}, nil, "") },
		"empty sections": func() Page { return Page{Sections: []Section{{Table: &Table{Rows: [][]Cell{{}}}}}} },
	} {
		t.Run(name, func(t *testing.T) {
			if len(page().HTML()) == 0 {
				t.Error("no page")
			}
		})
	}
	for name, draw := range map[string]func() picture.Picture{
		"curve":    func() picture.Picture { return Curve(measure.Table{}, "", "") },
		"declared": func() picture.Picture { return Declared("", proof.Curve{}) },
		"static":   func() picture.Picture { return StaticCurve("", measure.Table{}) },
		"response": func() picture.Picture { return Response("", measure.Table{}, nil) },
		"between":  func() picture.Picture { return BetweenSamples("", "", "", measure.Stretch{}, 0) },
		"wave":     func() picture.Picture { return Wave(measure.NewEnvelope(10), 0, 0, &take.Inspection{}) },
		"loudness": func() picture.Picture { return Loudness(measure.Table{}, nil, nil) },
	} {
		t.Run(name, func(t *testing.T) {
			p := draw()
			if picture.SVG(p, picture.File)+picture.Terminal(p, picture.Screen{}) == "" {
				t.Error("no picture")
			}
		})
	}
	odd := picture.Picture{Panels: []picture.Panel{{Series: []picture.Series{{Role: 99, Kind: 99, Points: make([]picture.Point, 3)}}}}}
	if picture.SVG(odd, picture.File) == "" || picture.Terminal(odd, picture.Screen{}) == "" {
		t.Error("no picture of a role that there is not")
	}
}
