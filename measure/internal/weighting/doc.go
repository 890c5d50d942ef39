// Package weighting holds the weightings of noise as power gains by frequency: A and C of
// IEC 61672-1, the network of Rec. ITU-R BS.468-4, CCIR-RMS, and the audio band.
package weighting
