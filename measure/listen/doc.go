// Package listen makes a page on which two to six versions of one sound are compared by
// ear: one HTML file with the sound in it, which works from the disk and loads nothing from
// the network.
//
// [Prepare] aligns the versions with the first one and lowers them to the level of the
// quietest, in 64-bit floating point. No version is raised, so none can clip, and the page
// holds no gains that would identify a version. [Comparison.Page] then writes the page:
// switching at the same frame without a gap, a loop, and blind runs whose number of trials is
// fixed before the first.
package listen
