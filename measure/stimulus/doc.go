// Package stimulus makes the signals that chains and devices are measured with, each by its
// published definition and with the same bits each time.
//
// A [Signal] is the sound alone; [Kinds] lists all kinds, and a new one is added there.
// [Marked] puts marks and a code around a signal, by which its recording is found and
// recognised.
//
// Sustained test tones are loud: turn the monitors down and take headphones off your ears
// before you play one, raise the level slowly, and keep to the rules for sound levels of your
// workplace. The levels here are peaks, −20 dBFS unless another is given.
package stimulus
