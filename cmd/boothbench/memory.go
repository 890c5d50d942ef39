package main

import "runtime/debug"

// sparingMemory lets the heap grow by a tenth between garbage collections instead of by
// its whole size, until the function that it returns is called. It is for work that holds
// much memory and frees little, such as the levels of a day or sixty channels: there
// collecting more often costs little time.
func sparingMemory() (end func()) {
	before := debug.SetGCPercent(10)
	return func() { debug.SetGCPercent(before) }
}
