package dsp_test

import (
	"fmt"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
)

// The stages' speed with the chain file's settings. Programmes: speech, which
// is like it in level and pace (dsptest.Speechlike); silence, digital, after a
// second of speech, so that an envelope or a filter that decays into denormal
// numbers would show; and crushed, noise clipped at full scale.

const benchRate = 48000

func benchProgrammes(channels int) map[string]dsp.Block {
	speech := dsptest.Speechlike(benchRate, channels, 2*benchRate, 1)
	crushed := dsptest.Speechlike(benchRate, channels, benchRate, 2)
	for _, plane := range crushed {
		for n, x := range plane {
			plane[n] = max(-1, min(1, 1e4*x))
		}
	}
	return map[string]dsp.Block{"speech": speech, "silence": dsp.NewBlock(channels, benchRate), "crushed": crushed}
}

func benchmarkStage(b *testing.B, build func(channels int) (dsp.Processor, error)) {
	for _, programme := range []string{"speech", "silence", "crushed"} {
		for _, channels := range []int{1, 2} {
			b.Run(fmt.Sprintf("programme=%s/ch=%d", programme, channels), func(b *testing.B) {
				p, err := build(channels)
				if err != nil {
					b.Fatal(err)
				}
				const block = 1024
				p.Process(dsptest.Speechlike(benchRate, channels, benchRate, 3))
				in, work := benchProgrammes(channels)[programme], dsp.NewBlock(channels, block)
				p.Process(dsp.NewBlock(channels, 20*benchRate)) // time to decay
				from, frames := 0, 0
				for b.Loop() {
					for c := range work {
						copy(work[c], in[c][from:])
					}
					p.Process(work)
					frames += block
					if from += block; from+block > in.Frames() {
						from = 0
					}
				}
				b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(frames*channels), "ns/sample")
			})
		}
	}
}

func BenchmarkCompressor(b *testing.B) {
	benchmarkStage(b, func(channels int) (dsp.Processor, error) {
		return dsp.NewCompressor(dsp.CompressorSettings{ThresholdDBFS: -24, Ratio: 3, KneeDB: 6, AttackMs: 5, ReleaseMs: 100, MakeupDB: 6,
			Detector: dsp.Peak, DetectorWindowMs: 10, LinkChannels: true}, benchRate, channels)
	})
}

func BenchmarkExpander(b *testing.B) {
	for name, sidechain := range map[string]float64{"bare": 0, "sidechain": 80} {
		b.Run("path="+name, func(b *testing.B) {
			benchmarkStage(b, func(channels int) (dsp.Processor, error) {
				return dsp.NewExpander(dsp.ExpanderSettings{ThresholdDBFS: -45, Ratio: 2, RangeDB: 12, HysteresisDB: 3, AttackMs: 1, HoldMs: 60, ReleaseMs: 120,
					LookaheadMs: sidechain / 16, Detector: dsp.RMS, DetectorWindowMs: 20, SidechainHighPassHz: sidechain, LinkChannels: true}, benchRate, channels)
			})
		})
	}
}
