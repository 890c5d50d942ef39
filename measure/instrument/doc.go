// Package instrument measures devices: chains in memory, outside commands, and recordings of
// hardware.
//
// An [Instrument] has a stimulus of its own. [Run] puts it through a [Device]. Analyse takes a
// response; [Align] finds the response in a recording. [OvershootOf] measures by how much a
// device exceeds a declared ceiling.
package instrument
