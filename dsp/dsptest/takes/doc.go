// Package takes makes takes of which all is known, for tests: recorded speech whose own
// pauses were taken out, in a noise of a known level and colour, with what else happens
// in a room.
package takes
