package season

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
)

// BenchmarkSeason measures a season's costs in processor time: making short takes, running
// again when all are done, and gathering.
func BenchmarkSeason(b *testing.B) {
	takes := makeTakes(b, b.TempDir(), 1000)
	p := plan(b, b.TempDir(), takes, 1)
	cost := func(name string, work func()) {
		b.ReportMetric(1e3*dsptest.ProcessorSeconds(work)/float64(len(takes)), name+"-ms/take")
	}
	for range b.N {
		os.RemoveAll(p.folder)
		cost("made", func() { run(b, p, 1, 1, RunSettings{}) })
		cost("was-done", func() { run(b, p, 1, 1, RunSettings{}) })
		cost("gather", func() {
			if _, err := p.Gather(false); err != nil {
				b.Fatal(err)
			}
		})
	}
}

// BenchmarkSeasonOnTwoCores measures the speed-up of a season with two takes at a time over
// one. Beside it, it measures the speed-up of two counting loops at the same moments, since
// other work of the machine slows both. It needs two processors.
func BenchmarkSeasonOnTwoCores(b *testing.B) {
	text, err := os.ReadFile("../../testdata/harbour-street.toml")
	if err != nil {
		b.Fatal(err)
	}
	folder := b.TempDir()
	var takes []Take
	sound := dsptest.Speechlike(48000, 1, 48000*20, 1)
	for i := range 16 {
		name := fmt.Sprintf("take%d.wav", i)
		w, err := wave.Create(filepath.Join(folder, name), wave.Format{Rate: 48000, Channels: 1, Encoding: wave.Integer, Bits: 24}, wave.Options{})
		if err == nil {
			err = w.Write(sound)
		}
		if err == nil {
			err = w.Commit()
		}
		if err != nil {
			b.Fatal(err)
		}
		takes = append(takes, Take{Path: filepath.Join(folder, name), Output: name})
	}
	seconds := func(work func()) float64 {
		begin := time.Now()
		work()
		return time.Since(begin).Seconds()
	}
	season := func(jobs int) float64 {
		p, err := NewPlan(b.TempDir(), Plan{ChainPath: "harbour-street.toml", ChainText: string(text), Shares: 1, Takes: slices.Clone(takes), Output: chain.Output{Seed: 1}})
		if err != nil {
			b.Fatal(err)
		}
		return seconds(func() { run(b, p, 1, 1, RunSettings{Jobs: jobs}) })
	}
	loops := func(count int) float64 {
		return seconds(func() {
			var group sync.WaitGroup
			for range count {
				group.Go(countOn)
			}
			group.Wait()
		})
	}
	season(2) // caches the files in memory
	var ours, theirs, share []float64
	for b.Loop() {
		s, l := season(1)/season(2), 2*loops(1)/loops(2)
		ours, theirs, share = append(ours, s), append(theirs, l), append(share, s/l)
	}
	b.ReportMetric(median(ours), "season-x")
	b.ReportMetric(median(theirs), "loops-x")
	b.ReportMetric(median(share), "season/loops")
}

// counted stores the result of countOn, so that its loop is not optimised away.
var counted atomic.Uint64

// countOn runs a counting loop for about a second.
func countOn() {
	x := uint64(1)
	for range 1_000_000_000 {
		x = x*6364136223846793005 + 1442695040888963407
	}
	counted.Add(x)
}
