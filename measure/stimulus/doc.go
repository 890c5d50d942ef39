// Package stimulus makes the signals that chains and devices are measured with,
// each by its published definition, the same bits each time.
//
// A [Signal] is the sound alone; [Kinds] lists what there is, and is the place to
// add one. [Marked] puts marks and a code around a signal, by which a recording of
// it is found and known again.
//
// Sustained test tones are loud: turn the monitors down and take headphones off
// your ears before you play one, raise the level slowly, and keep to the rules
// for sound levels of your workplace. The levels here are peaks, −20 dBFS unless
// more is asked for.
package stimulus
