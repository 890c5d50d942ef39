// Package conversation measures the recordings of several microphones of one
// conversation against each other: by how many frames a voice arrives later in another
// microphone than in its own, how much of it bleeds into that microphone, whether one of
// the two is inverted, whether their clocks drift apart, and how loud each voice is.
//
// The model: each voice has a microphone of its own, in which it is louder than in any
// other, by at least 3 dB on average of two microphones. What else a microphone picks up is
// noise of its own. A reading that this model does not allow is missing, with the reason:
// of copies of one sound, a microphone without a voice of its own, a sound that all
// microphones have, such as music, and cuts in one of the recordings.
//
// Microphones that share no sound fit the model as well. Their bleed has an upper bound, and
// their clocks cannot be compared.
package conversation
