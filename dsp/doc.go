// Package dsp is sound in memory: the processors of a voice chain and the
// pieces they share. It does no I/O and imports nothing else of this module
// except dsp/vector, the innermost loops.
//
// # Conventions
//
//   - Sound is a [Block]: planar float64, block[channel][frame], full scale
//     1.0 (0 dBFS peak). Rates are whole frames per second.
//   - Field names carry their unit: ThresholdDBFS, AttackMs, CornerHz.
//     dBFS is peak dBFS: a sine of amplitude 1.0 peaks at 0 dBFS. An RMS
//     detector reads the mathematical root mean square, so the same sine
//     reads −3.01 dBFS on it.
//   - A gain of −6 dB lowers the level; an attenuation of 6 dB does the same.
//   - A time constant is the time to 1 − 1/e (63.2 %) of a change in dB.
//
// # Promises of every processor
//
//   - The output does not depend, in any bit, on how the input is cut into
//     blocks, and it is the same on every processor architecture: products
//     that feed a sum are written float64(a*b) so that the compiler may not
//     fuse them (Go specification, "Floating-point operators"), and the
//     elementary functions are this package's own.
//   - Process allocates nothing and keeps no reference to the caller's block.
//   - Recursive state that decays below 1e-30 becomes zero at fixed frames, so
//     that silence after sound costs no denormal arithmetic.
//   - It is made by its New function, which checks the settings. The zero value of such
//     a type is not ready for use.
//   - Input must be finite; [Scrub] finds and removes NaN and Inf. A
//     non-finite sample that gets in does not persist: filters recover at
//     the next such frame, windows and look-aheads once it has left them.
//
// Package dsptest tests this contract for every processor. Examples are in
// example_test.go.
package dsp
