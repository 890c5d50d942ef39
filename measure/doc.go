// Package measure makes numbers from sound: loudness, true peak, and what else
// an engineer has to stand behind. It never imports package chain.
//
// A [Meter] takes planar blocks (channels x frames, full scale 1.0) of any
// size; how the sound is cut changes no reading. A [Reading] carries its unit,
// its reference and the document that defines it, or the reason why it cannot
// be measured: never NaN, an infinity or a stand-in.
//
// An [Instrument] has a stimulus of its own: [Run] puts it through a [Device], or
// Analyse takes the response that was recorded, once [Align] has found it in the
// recording. A [Level] has its unit, and meets
// other units by a [Calibration] only.
package measure
