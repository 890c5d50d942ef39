package main

import "runtime/debug"

// sparingMemory keeps garbage to a tenth of what is in use, instead of as much again,
// until the function that it returns is called. It is for what holds much and throws
// little away, where collecting often costs next to nothing: the levels of a day, sixty
// channels.
func sparingMemory() (end func()) {
	before := debug.SetGCPercent(10)
	return func() { debug.SetGCPercent(before) }
}
