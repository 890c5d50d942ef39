// Package compare finds what distinguishes two versions of one sound: delay, clock
// drift, level, polarity and, with those removed, the residual.
//
// [Sounds] compares; [Comparison.Summary] states the result in a sentence and
// [Comparison.Readings] in figures.
package compare
