package main

import (
	"runtime"
	"runtime/debug"
	"runtime/metrics"
	"sync/atomic"
)

// sparingFrom is the size of a heap in bytes, after a garbage collection, from which on memory
// is spared. Below it collections that often would cost a tenth of the time of a short take.
const sparingFrom = 8 << 20

// sparingMemory lets a heap that is no longer small grow by a tenth between garbage
// collections instead of by its whole size, until the function that it returns is called. It
// is for work that holds much memory and frees little, such as the levels of a day or sixty
// channels: there collecting more often costs little time.
func sparingMemory() (end func()) {
	before := debug.SetGCPercent(100)
	var ended atomic.Bool
	afterCollection(func() (again bool) {
		switch {
		case ended.Load():
			return false
		case heapInUse() < sparingFrom:
			return true
		}
		debug.SetGCPercent(10)
		return false
	})
	return func() {
		ended.Store(true)
		debug.SetGCPercent(before)
	}
}

// afterCollection calls do after the next garbage collection, and after each that follows as
// long as it returns true.
func afterCollection(do func() (again bool)) {
	unused := new([4]*byte) // which the next collection frees
	runtime.AddCleanup(unused, func(struct{}) {
		if do() {
			afterCollection(do)
		}
	}, struct{}{})
}

// heapInUse is the size of the heap after the last collection, in bytes.
func heapInUse() uint64 {
	live := []metrics.Sample{{Name: "/gc/heap/live:bytes"}}
	metrics.Read(live)
	return live[0].Value.Uint64()
}
