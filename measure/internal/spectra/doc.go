// Package spectra holds the spectral estimates that the meters and instruments share:
// windows, Welch's power spectrum, sines of known frequency, third-octave bands, and
// the criteria for mains hum.
package spectra
