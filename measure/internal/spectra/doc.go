// Package spectra holds the spectral estimates that the meters and instruments share:
// windows, Welch's power spectrum, sines of known frequency, third-octave bands, and what
// counts as a line of the mains.
package spectra
