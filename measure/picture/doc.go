// Package picture describes diagrams and draws them: as SVG text for pages and files, and as
// characters for a terminal. It is independent of sound and imports no other package of this
// module.
//
// A [Picture] is the description: panels one above the other, axes with units, series, bands,
// marks, and one sentence with the main figure. Series have roles (measured, declared, …) in
// place of colours. [SVG] and [Terminal] draw it. Their output depends on the description
// alone, and is the same on every processor.
//
//	p := picture.Picture{
//		Name: "response", Title: "Response", Caption: "Flat within 0.1 dB from 20 Hz to 20 kHz.",
//		Panels: []picture.Panel{{
//			X:      picture.Axis{Name: "frequency", Unit: "Hz", Scale: picture.Log, Min: 20, Max: 20000},
//			Y:      picture.Axis{Name: "gain", Unit: "dB", Min: -3, Max: 3},
//			Series: []picture.Series{{Name: "measured", Points: points}},
//		}},
//	}
//	text := picture.SVG(p, picture.File)
package picture
