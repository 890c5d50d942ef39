// Package report writes pages: one take before and after its chain, one proof, several
// devices side by side, a history of checks. A page is one file without script or network; its first sentence
// answers the reader's first question, and it ends with all readings and how to get them
// again.
//
// Pages arrange pictures and readings and compute nothing. A figure in a page is the
// text that the command prints, with a minus sign for its hyphen. The bytes of a page
// depend on what was measured alone: no date, no path of a machine, no random id.
package report
