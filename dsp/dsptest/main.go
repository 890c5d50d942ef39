package dsptest

import (
	"flag"
	"os"
	"runtime/debug"
	"testing"
)

// Main runs the tests of a package, whose TestMain calls it, with rareCollections.
func Main(m *testing.M) {
	rareCollections()
	os.Exit(m.Run())
}

// rareCollections lets the garbage collector run only when the process holds 256 MiB. Tests
// make many long sounds; with Go's default some packages spend a fifth of their processor
// time on collecting them, returning the memory to the system, and requesting it again.
// Benchmarks and the long tests, some of which hold more than that, keep the default, and so do
// runs with GOGC set.
func rareCollections() {
	if os.Getenv("GOGC") != "" || IsExhaustive() {
		return
	}
	if flag.Parse(); flag.Lookup("test.bench").Value.String() != "" {
		return
	}
	debug.SetMemoryLimit(256 << 20)
	debug.SetGCPercent(-1)
}
