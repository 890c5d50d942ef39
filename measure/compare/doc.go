// Package compare finds what distinguishes two versions of one sound: by how many frames
// one is later, whether its clock drifts, its level and polarity, and, with those
// removed, what is left.
//
// [Sounds] compares; [Comparison.Summary] states the result in a sentence and
// [Comparison.Readings] in figures.
package compare
