// Package expect holds sound against limits, for automated tests: a limits file
// with one entry a group of files, delivery specifications as data, baselines
// that describe a change, and assertions for Go tests.
//
// A limit bounds one reading of package measure by its name, in the reading's
// own unit: integrated_lufs, true_peak_fine_dbtp, residual_dbfs and so on. What
// cannot be measured does not meet a limit.
//
// A [Processor] of your own, which may be a function on planes, is held to a
// frequency response ([Response], [Corner]), a static curve ([StaticCurve]), times
// ([Attack], [Release]), a ceiling ([Overshoot]), noise ([IdleNoise]) and the same
// bits each time ([SameBits]); what it makes of a sound ([Processor.Of]), to another
// sound ([Null], [NullAsLying]). The file yourprocessor_test.go of this package is a
// page to copy.
package expect
