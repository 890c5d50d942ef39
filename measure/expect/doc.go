// Package expect compares sound with limits, for automated tests. It has a limits file
// with one entry for each group of files, delivery specifications as data, baselines that
// describe a change, and assertions for Go tests.
//
// A limit bounds one reading of package measure, by its name and in its own unit:
// integrated_lufs, true_peak_fine_dbtp, residual_dbfs and so on. A reading that cannot be
// measured does not meet its limit.
//
// A [Processor] of your own may be a function on planes. Assertions test its frequency
// response ([Response], [Corner]), static curve ([StaticCurve]), times ([Attack],
// [Release]), ceiling ([Overshoot]), noise ([IdleNoise]), and whether it gives the same
// bits each time ([SameBits]). [Processor.Of] is its output for a sound, which can be
// compared with another sound ([Null], [NullUnaligned]). The file yourprocessor_test.go
// of this package is a page to copy.
package expect
