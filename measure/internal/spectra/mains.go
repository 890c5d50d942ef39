package spectra

// What a line of the mains is: its distance from its surroundings in dB, that of a
// fundamental that needs no other line, and how far the mains may be from 50 or 60 Hz.
// (common practice, no source)
const (
	HumLineDB    = 9
	HumStrongDB  = 15
	HumTolerance = 0.006
)
