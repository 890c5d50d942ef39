// Package proof compares declared with measured properties: of each stage of a
// chain with its settings, of the whole chain with the sum of them, and of any
// other device with a claims file.
//
// A proof is a sheet of lines: the claim with its tolerance, the measured value
// with its definition, and the verdict: pass, fail or undecided. The instruments
// are those of package measure; they do not depend on the stages and use only a
// stage's response to a stimulus.
package proof
