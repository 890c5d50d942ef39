package chain_test

import (
	"testing"

	"github.com/boothbench/boothbench/chain"
)

// BenchmarkPrepare builds the demo chain for a take: what each take costs beside its
// length. The goal: 1.5 ms or less once the process has built it before, at any rate.
func BenchmarkPrepare(b *testing.B) {
	c, err := chain.Load("../testdata/harbour-street.toml")
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, err := c.Prepare(48000, 2); err != nil {
			b.Fatal(err)
		}
	}
}
