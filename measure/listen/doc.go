// Package listen makes a page on which two to six versions of one sound are compared by
// ear: one file with the sound in it, which works from the disk and asks no network for
// anything.
//
// [Prepare] lines the versions up on the first one's frames and brings them to the level
// of the quietest, once, in 64-bit floating point: nothing is turned up, nothing can
// clip, and no gain in the page gives a version away. [Comparison.Page] then writes the
// page: seamless switching at the same frame, a loop, and blind runs whose number of
// trials is fixed before the first.
package listen
