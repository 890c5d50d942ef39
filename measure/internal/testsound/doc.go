// Package testsound holds sound that tests of several packages use: the demo take, and
// invented noise and speech.
package testsound
