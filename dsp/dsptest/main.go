package dsptest

import (
	"flag"
	"os"
	"runtime/debug"
	"testing"
)

// Main runs the tests of a package, whose TestMain calls it, with RareCollections.
func Main(m *testing.M) {
	RareCollections()
	os.Exit(m.Run())
}

// RareCollections lets garbage stand until the process holds 256 MiB. Tests make many
// long sounds and throw them away; with Go's default a fifth of their processor time
// goes into collecting them, giving the memory back to the system, and getting it again
// page by page. Benchmarks and the long tests, some of which hold more than that, keep the
// default, and so does whoever sets GOGC.
func RareCollections() {
	if os.Getenv("GOGC") != "" || IsExhaustive() {
		return
	}
	if flag.Parse(); flag.Lookup("test.bench").Value.String() != "" {
		return
	}
	debug.SetMemoryLimit(256 << 20)
	debug.SetGCPercent(-1)
}
