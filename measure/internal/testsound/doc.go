// Package testsound holds sound for the tests of several packages: the demo take, and
// synthetic noise and speech.
package testsound
