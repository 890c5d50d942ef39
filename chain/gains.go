package chain

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/vector"
)

// Gains collects the gains of a chain's dynamics stages over the time of the input, for
// one run: a curve with a bounded number of columns for each stage and channel, and how
// much each stage reduced. Its memory does not depend on the length of the input.
//
// The gains are those of dsp.GainTracer, without fixed make-up and drive. Each is at the
// input frame that it was applied to: the latency before it is taken out.
type Gains struct {
	// Each, if set, also receives the gains of every millisecond during the run: the
	// stage, by its index in the engine's Plan, the name of its gain (a limiter and its
	// verification are one stage with two gains), the number of frames (fewer in the last
	// millisecond), and the lowest linear gain of each channel. Gains call it from
	// different goroutines, so that it must not share state between gains.
	Each func(stage int, name string, frames int, lowest []float64)

	columns int
	stages  []*gathered
}

// NewGains makes a collection with at most this many columns in a curve. A curve has at
// least half as many if the input has that many milliseconds. With 0 or less there are no
// curves, only reductions.
func NewGains(columns int) *Gains { return &Gains{columns: columns} }

// StageGains are the gains of one stage.
type StageGains struct {
	Name         string      // of the stage; a limiter's verification has a name of its own
	Stage        int         // its index in the engine's Plan; a verification has its limiter's
	ColumnFrames int         // frames a column; the last column may have fewer
	LowestDB     [][]float64 // channels x columns: the lowest gain in dB, −200 at the least
	Reduction    Reduction
}

// Reduction is how much a stage reduced, over its working milliseconds in all channels:
// those in which it reduced by WorkingDB or more. The largest reduction in a millisecond
// counts.
type Reduction struct {
	MedianDB, P95DB float64 // percentiles by nearest rank, to 0.01 dB; 0: it never worked
	LargestDB       float64 // the largest of all, whether above WorkingDB or not
	WorkingShare    float64 // working milliseconds over all
}

// WorkingDB is the reduction from which on a stage counts as working. A release from 6 dB
// reaches it after four time constants. Own choice.
const WorkingDB = 0.1

// Stages returns the gains of the stages, in the order of the chain.
func (g *Gains) Stages() []StageGains {
	list := make([]StageGains, len(g.stages))
	for i, s := range g.stages {
		list[i] = StageGains{Name: s.name, Stage: s.stage, ColumnFrames: s.interval * s.perColumn, Reduction: s.reduction()}
		for _, curve := range s.curves {
			db := make([]float64, len(curve))
			for k, lowest := range curve {
				db[k] = gainDB(lowest)
			}
			list[i].LowestDB = append(list[i].LowestDB, db)
		}
	}
	return list
}

// gathered are one stage's gains. Only the stage's own step uses it during a run.
type gathered struct {
	intervals
	name      string
	stage     int
	each      func(stage int, name string, frames int, lowest []float64)
	columns   int         // at most; 0: no curves
	curves    [][]float64 // channels x columns: lowest linear gain
	perColumn int         // intervals a column
	inColumn  int         // intervals in the running column

	count  [reductionBins]int64 // intervals by reduction
	all    int64                // intervals
	lowest float64
}

// Bins of reductions: 0.01 dB each; the last one is for 100 dB and more.
const (
	binsPerDB     = 100
	reductionBins = 100*binsPerDB + 1
)

func (g *Gains) follow(name string, stage, rate, channels int) *gathered {
	s := &gathered{name: name, stage: stage, each: g.Each, columns: g.columns, perColumn: 1, lowest: 1}
	s.intervals = newIntervals(rate, channels)
	if g.columns > 0 {
		s.columns = max(2, g.columns)
		for range channels {
			s.curves = append(s.curves, make([]float64, 0, s.columns))
		}
	}
	g.stages = append(g.stages, s)
	return s
}

// take collects frames from … to−1 of a block of gains.
func (s *gathered) take(gain dsp.Block, from, to int) { s.fold(gain, from, to, s.enter) }

// end enters the last interval, which may be shorter.
func (s *gathered) end() { s.rest(s.enter) }

func (s *gathered) enter(lowest []float64) {
	if s.each != nil {
		s.each(s.stage, s.name, s.interval, lowest)
	}
	if s.columns > 0 {
		if s.inColumn == s.perColumn {
			s.inColumn = 0
		}
		if s.inColumn == 0 && len(s.curves[0]) == s.columns {
			s.halve()
		}
		for c, g := range lowest {
			if s.inColumn == 0 {
				s.curves[c] = append(s.curves[c], g)
			} else if last := &s.curves[c][len(s.curves[c])-1]; g < *last {
				*last = g
			}
		}
		s.inColumn++
	}
	for _, g := range lowest {
		s.all++
		if g < 1 {
			bin := math.Round(-gainDB(g) * binsPerDB)
			s.count[int(min(bin, reductionBins-1))]++
			s.lowest = min(s.lowest, g)
		}
	}
}

// halve joins columns in pairs. The last one of an odd number becomes the first
// half of the next column.
func (s *gathered) halve() {
	for c, curve := range s.curves {
		joined := curve[:0]
		for k := 0; k < len(curve); k += 2 {
			joined = append(joined, min(curve[k], curve[min(k+1, len(curve)-1)]))
		}
		s.curves[c] = joined
	}
	if s.columns%2 != 0 {
		s.inColumn = s.perColumn
	}
	s.perColumn *= 2
}

func (s *gathered) reduction() Reduction {
	r := Reduction{LargestDB: max(0, -gainDB(s.lowest))}
	var working int64
	for _, n := range s.count[workingBin:] {
		working += n
	}
	if working == 0 {
		return r
	}
	r.WorkingShare = float64(working) / float64(s.all)
	percentile := func(share float64) float64 {
		rank := int64(math.Ceil(share * float64(working)))
		for bin := workingBin; ; bin++ {
			if rank -= s.count[bin]; rank <= 0 {
				return min(float64(bin)/binsPerDB, r.LargestDB)
			}
		}
	}
	r.MedianDB, r.P95DB = percentile(0.5), percentile(0.95)
	return r
}

const workingBin = int(WorkingDB * binsPerDB)

// intervals cuts gains into pieces of a millisecond, to the nearest frame, and
// finds the lowest of each channel in each.
type intervals struct {
	interval int // frames
	filled   int // frames in the running interval
	lowest   []float64
}

func newIntervals(rate, channels int) intervals {
	v := intervals{interval: max(1, dsp.Frames(1, rate)), lowest: make([]float64, channels)}
	v.restart()
	return v
}

func (v *intervals) restart() {
	v.filled = 0
	for c := range v.lowest {
		v.lowest[c] = math.Inf(1)
	}
}

// fold calls done with the lowest gains, by channel, of each interval that frames
// from … to−1 complete.
func (v *intervals) fold(gain dsp.Block, from, to int, done func(lowest []float64)) {
	for from < to {
		n := min(to-from, v.interval-v.filled)
		for c, plane := range gain {
			v.lowest[c] = vector.Lowest(plane[from:from+n], v.lowest[c])
		}
		from += n
		if v.filled += n; v.filled == v.interval {
			done(v.lowest)
			v.restart()
		}
	}
}

// rest calls done for what is left of an interval.
func (v *intervals) rest(done func(lowest []float64)) {
	if v.filled > 0 {
		done(v.lowest)
		v.restart()
	}
}
