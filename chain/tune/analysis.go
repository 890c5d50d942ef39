package tune

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
)

// Analysis describes a take ahead of the chain's limiter: enough to forecast the loudness at
// any drive. It takes about 22 MB an hour at any rate, and can be stored (MarshalBinary).
type Analysis struct {
	RateHz, Channels int
	Frames           int64
	Mono             measure.MonoPolicy
	Ahead            measure.Readings        // loudness and peaks ahead of the limiter
	Profile          measure.LoudnessProfile // ahead of the limiter

	head  string     // identifies the chain up to the limiter
	paths []pathData // one for each gain
	whole []float64  // see hopEnergies
	lost  []float64  // see lostShares
}

// pathData holds the cells of channels that share one gain.
type pathData struct {
	Peaks    []uint16 // largest true peak of each cell, as a level code
	Energies []uint16 // K-weighted, all its channels together, as level codes
	Tops     []uint16 // largest of Peaks in every topCells cells
}

// topCells is the number of cells that share one entry of Tops. Where that peak is low enough,
// all of them are skipped at once.
const topCells = 64

// AnalyseOptions are the options of Analyse; the zero value is the usual one.
type AnalyseOptions struct {
	Mono            measure.MonoPolicy
	Workers         int  // goroutines; the result is the same for any number
	RepairNonFinite bool // as in chain.Options
	Progress        func(frames int64)
}

// Analyse runs the chain up to the limiter at its end. It writes no sound.
func Analyse(ctx context.Context, c *chain.Chain, take wave.Source, o AnalyseOptions) (*Analysis, error) {
	parts := split(c)
	f := take.Format()
	engine, err := parts.head().Prepare(f.Rate, f.Channels)
	if err != nil {
		return nil, err
	}
	if err := parts.check(f.Rate, f.Channels); err != nil {
		return nil, err
	}
	meter, err := measure.NewProgrammeMeter(f, o.Mono)
	if err != nil {
		return nil, err
	}
	a := &Analysis{RateHz: f.Rate, Channels: f.Channels, Mono: o.Mono, head: parts.identity()}
	share := f.Channels
	if parts.limiter != nil && !parts.limiter.LinkChannels {
		share = 1
	}
	a.paths = make([]pathData, f.Channels/share)
	if known, ok := take.(interface{ Frames() int64 }); ok { // avoids growing the slices
		cells := int(known.Frames())/dsp.ForecastCellFrames(f.Rate) + 2
		for path := range a.paths {
			a.paths[path] = pathData{make([]uint16, 0, cells), make([]uint16, 0, cells), make([]uint16, 0, cells/topCells+2)}
		}
	}
	meter.Loudness.TapCells(dsp.ForecastCellFrames(f.Rate), func(energies []float64) {
		for path := range a.paths {
			sum := 0.0
			for _, e := range energies[path*share : (path+1)*share] {
				sum += e
			}
			a.paths[path].Energies = append(a.paths[path].Energies, levelCode(sum))
		}
	})
	cells := newPeakCells(f.Rate, f.Channels, share, func(peaks []float64) {
		for path, peak := range peaks {
			a.paths[path].addPeak(levelCode(peak))
		}
	})
	sink := analysisSink{f, func(b dsp.Block) {
		meter.Write(b)
		cells.write(b)
	}}
	result, err := engine.Run(ctx, take, sink, chain.Options{RepairNonFinite: o.RepairNonFinite, Workers: o.Workers, Progress: o.Progress})
	if err != nil {
		return nil, err
	}
	cells.end()
	a.Frames = result.Frames
	a.Profile, a.Ahead = meter.Loudness.Profile(), meter.Readings()
	return a, nil
}

// analysisSink passes the output of the chain to meters.
type analysisSink struct {
	format wave.Format
	write  func(dsp.Block)
}

func (s analysisSink) Format() wave.Format { return s.format }

func (s analysisSink) Write(b dsp.Block) error {
	s.write(b)
	return nil
}

func (p *pathData) addPeak(code uint16) {
	if len(p.Peaks)%topCells == 0 {
		p.Tops = append(p.Tops, 0)
	}
	p.Peaks = append(p.Peaks, code)
	last := &p.Tops[len(p.Tops)-1]
	*last = max(*last, code)
}

// parts is a chain divided at its limiter.
type parts struct {
	chain   *chain.Chain
	stages  int                  // number of stages ahead of the limiter
	limiter *dsp.LimiterSettings // the chain's last enabled stage; nil: that is no limiter
}

// split separates the limiter from the end of a chain.
func split(c *chain.Chain) parts {
	for i := len(c.Stages) - 1; i >= 0; i-- {
		if !c.Stages[i].Enabled {
			continue
		}
		if s, ok := c.Stages[i].Settings.(dsp.LimiterSettings); ok {
			return parts{c, i, &s}
		}
		break
	}
	return parts{chain: c, stages: len(c.Stages)}
}

// head returns the chain up to the limiter.
func (p parts) head() *chain.Chain {
	head := *p.chain
	head.Stages = p.chain.Stages[:p.stages]
	return &head
}

// check reports settings that do not suit the sound's rate or number of channels.
func (p parts) check(rate, channels int) error { return p.chain.Check(rate, channels) }

// identity returns a digest of everything that an analysis depends on: the stages ahead of the
// limiter, and whether the limiter's channels share one gain.
func (p parts) identity() string {
	text, err := p.head().Format(false)
	if err != nil {
		text = []byte(err.Error()) // Prepare reports it
	}
	linked := p.limiter != nil && !p.limiter.LinkChannels
	sum := sha256.Sum256(fmt.Appendf(text, "\nunlinked %t\n", linked))
	return hex.EncodeToString(sum[:])
}
