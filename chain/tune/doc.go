// Package tune finds settings of a chain from what is measured of a take.
//
// [Propose] sets a whole chain to takes: each value is a [Choice] with the reading that
// it follows from, the rule and a confidence, and each take has its [Damage], measured
// by running the chain. A stage for which a take gives too little evidence is off, with the
// reason.
//
// [Deliver] solves one number: the drive of the limiter at a chain's end (or one
// gain, where a chain has no limiter) with which the written files meet a target
// loudness under a true-peak ceiling. An analysis pass runs the chain up to the
// limiter and keeps, for cells of two thirds of a ms, the largest true peak and
// the K-weighted energy; a forecast of the limiter's gain on these cells gives the
// loudness of any drive, and with it the smallest drive that meets the target.
// What is rendered with it is measured as it was written, and corrected at most
// twice. A target that cannot be met, or only by crushing the sound, is a
// [*Refusal] that says what can be had.
//
// The steps are there to be taken apart: [Analyse] gives a value that can be
// stored, [Solve] finds the drive for one take or for several as one programme,
// and [Solution.Chain] is the chain that was solved.
package tune
