// Package takes makes takes for tests, of known parts: recorded speech without its own
// pauses, noise of a known level and colour, and other sounds of a room.
package takes
