// Package take inspects a recorded take before anything is done to it: the state of
// each channel and how two of them belong together, the noise floor of its pauses, hum,
// the level of the speech, clips, dropouts, plosives and sharp s-sounds.
//
// [Inspect] reads a take and returns readings, findings in order of their severity, and
// events with their times.
package take
