// Package picture describes what a picture shows, and draws the description: as SVG
// text for pages and files, and as characters for a terminal. It knows nothing of
// sound and imports nothing of this module.
//
// A [Picture] is made first: panels one above the other, axes with units, series,
// bands, marks, and the one sentence that the picture shows, with its figure. The
// description holds roles (measured, declared, …) and never colours. [SVG] and
// [Terminal] then draw it. What they return depends on the description alone, on
// every processor.
//
//	p := picture.Picture{
//		Name: "response", Title: "Response", Says: "Flat within 0.1 dB from 20 Hz to 20 kHz.",
//		Panels: []picture.Panel{{
//			X:      picture.Axis{Name: "frequency", Unit: "Hz", Scale: picture.Log, Min: 20, Max: 20000},
//			Y:      picture.Axis{Name: "gain", Unit: "dB", Min: -3, Max: 3},
//			Series: []picture.Series{{Name: "measured", Points: points}},
//		}},
//	}
//	text := picture.SVG(p, picture.File)
package picture
