package dsp

// DetectorKind is the way a dynamics stage measures level.
type DetectorKind int

const (
	// Peak is the largest |sample| of the last window (a rectangular hold).
	Peak DetectorKind = iota
	// RMS is the root of the mean square over the last window, weighted by a
	// triangle (two equal moving averages in series). A full-scale sine reads
	// −3.01 dBFS.
	RMS
)
