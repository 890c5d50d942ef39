// Package proof holds what is declared against what is measured: each stage of a
// chain against its own settings, the whole chain against the sum of them, and
// any other device against a claims file.
//
// A proof is a sheet of lines: the claim with its tolerance, what was measured
// and by which definition, and the verdict: pass, fail or undecided. The
// instruments are those of package measure; they know nothing of the stages, and
// see of a stage only what it makes of a stimulus.
package proof
