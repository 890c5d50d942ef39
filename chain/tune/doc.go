// Package tune finds settings of a chain from measurements of a take.
//
// [Propose] sets a whole chain for takes. Each value is a [Choice] with the reading on which it
// is based, the rule and a confidence. Each take has its [Damage], measured by running the
// chain. A stage for which a take gives too little evidence is off, and the reason is stated.
//
// [Deliver] solves for one number: the drive of the limiter at a chain's end (or a gain, where
// a chain has no limiter) with which the written files meet a target loudness under a true-peak
// ceiling. An analysis pass runs the chain up to the limiter. It keeps the largest true peak
// and the K-weighted energy of cells of two thirds of a ms. A forecast of the limiter's gain on
// these cells yields the loudness at any drive, and from that the smallest drive that meets the
// target. The files rendered with it are measured as written, and corrected at most twice. A
// target that cannot be met, or only with too much limiting, is a [*Refusal] that states what
// is possible.
//
// The steps can be used one by one: [Analyse] returns a value that can be stored, [Solve] finds
// the drive for one take or for several as one programme, and [Solution.Chain] returns the
// solved chain.
package tune
