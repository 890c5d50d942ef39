// Package report writes pages: a take before and after its chain, the proof of a chain, one
// device, several devices side by side, a history of checks. A page is one HTML file without
// script, and loads nothing from the network. Its first sentence answers the reader's first
// question; its last parts are all readings and the commands that make the page again.
//
// A figure in a page is the text that the command prints, with a minus sign in place of the
// hyphen. The bytes of a page depend only on the readings: it holds no date of its writing,
// no path of the machine, and no random id.
//
// The functions that return a [picture.Picture] draw one set of data each; they serve pages
// of your own too.
package report
