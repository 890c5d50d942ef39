// Package conversation measures the recordings of several microphones of one conversation
// relative to each other: by how many frames a voice arrives later in another microphone than
// in its own, how much of it bleeds into that microphone, whether one of the two is inverted,
// whether their clocks drift apart, and how loud each voice is.
//
// The model: each voice has its own microphone, in which it is louder than in any other, by at
// least 3 dB on average of two microphones. Any other sound in a microphone is noise of its
// own. A reading that this model does not allow is missing, with the reason: for copies of one
// sound, a microphone without its own voice, a sound in all microphones, such as music, and
// cuts in one of the recordings.
//
// Microphones that share no sound also fit the model. Their bleed has an upper bound, and their
// clocks cannot be compared.
package conversation
