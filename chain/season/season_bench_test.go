package season

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
)

// BenchmarkSeason states a season's costs in processor time: to make short takes, to run
// again where all is done, to gather.
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

// BenchmarkSeasonAgainstProcess is what receipt, digests and metering add to the
// processing of a take of 60 s, as a ratio of processor times in one run.
func BenchmarkSeasonAgainstProcess(b *testing.B) {
	path := filepath.Join(b.TempDir(), "take.wav")
	w, err := wave.Create(path, wave.Format{Rate: 48000, Channels: 1, Encoding: wave.Integer, Bits: 24}, wave.Options{})
	if err == nil {
		err = w.Write(dsptest.Speechlike(48000, 1, 48000*60, 1))
	}
	if err == nil {
		err = w.Commit()
	}
	if err != nil {
		b.Fatal(err)
	}
	text, err := os.ReadFile("../../testdata/harbour-street.toml")
	if err != nil {
		b.Fatal(err)
	}
	c, err := chain.Parse("harbour-street.toml", text)
	if err != nil {
		b.Fatal(err)
	}
	var season, process float64
	for range b.N {
		p, err := NewPlan(b.TempDir(), Plan{ChainPath: "harbour-street.toml", ChainText: string(text), Shares: 1, Takes: []Take{{Path: path, Output: "take.wav"}}, Output: chain.Output{Seed: 1}})
		if err != nil {
			b.Fatal(err)
		}
		season += dsptest.ProcessorSeconds(func() { run(b, p, 1, 1, RunSettings{}) })
		process += dsptest.ProcessorSeconds(func() { processAlone(b, c, path) })
	}
	b.ReportMetric(season/process, "season/process")
}

func processAlone(b *testing.B, c *chain.Chain, path string) {
	reader, err := wave.Open(path)
	if err != nil {
		b.Fatal(err)
	}
	engine, err := c.Prepare(48000, 1)
	if err != nil {
		b.Fatal(err)
	}
	w, _, err := engine.Render(b.Context(), reader, filepath.Join(b.TempDir(), "out.wav"), chain.Output{Seed: 1}, wave.Options{}, chain.Options{Workers: 1})
	if err == nil {
		err = w.Commit()
	}
	reader.Close()
	if err != nil {
		b.Fatal(err)
	}
}
