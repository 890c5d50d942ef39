// Package measure makes numbers from sound: loudness, true peak, and what else an
// engineer has to vouch for. It holds the meters and the types that the packages below it
// share: readings and their terms, limits, findings, levels and their calibration. It
// never imports package chain.
//
// A meter takes planar blocks (channels x frames, full scale 1.0) of any size; how the
// sound is cut changes no reading. A [Reading] carries its unit, its reference and the
// document that defines it, or the reason why it cannot be measured: never NaN, an
// infinity or a stand-in. What has a New function is made by it; its zero value is
// not ready for use. A [Level] has its unit, and meets other units by a
// [Calibration] only.
//
// Takes are inspected by measure/take, two versions of a sound compared by
// measure/compare, devices measured by measure/instrument.
package measure
