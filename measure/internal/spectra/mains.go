package spectra

// The criteria for mains hum: how far a line exceeds its surroundings in dB, how far a
// fundamental does that counts without harmonics, and how far the mains frequency may be from
// 50 or 60 Hz. (common practice, no source)
const (
	HumLineDB    = 9
	HumStrongDB  = 15
	HumTolerance = 0.006
)
