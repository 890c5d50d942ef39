package dsptest

import (
	"math"
	"slices"
	"testing"
	"time"
)

// Pairs are processor times in seconds of two programs that ran in turn. A disturbance of the
// machine affects both times of a pair, so their ratio is steadier than each time.
type Pairs struct{ ours, theirs []float64 }

// Add adds the times of a pair in seconds.
func (p *Pairs) Add(ours, theirs float64) {
	p.ours, p.theirs = append(p.ours, ours), append(p.theirs, theirs)
}

// Report reports the ratio of ours to theirs: the median pair under a unit such as
// "ours/C", and the best pair under that unit with -best-pair behind it.
func (p *Pairs) Report(b *testing.B, unit string) {
	ratios := p.ratios()
	b.ReportMetric(ratios[len(ratios)/2], unit)
	b.ReportMetric(ratios[0], unit+"-best-pair")
}

// ReportFaster reports the ratio of theirs to ours, as Report does.
func (p *Pairs) ReportFaster(b *testing.B, unit string) {
	ratios := p.ratios()
	b.ReportMetric(1/ratios[len(ratios)/2], unit)
	b.ReportMetric(1/ratios[0], unit+"-best-pair")
}

func (p *Pairs) ratios() []float64 {
	if len(p.ours) == 0 {
		return []float64{math.NaN()}
	}
	ratios := make([]float64, len(p.ours))
	for i, t := range p.ours {
		ratios[i] = t / p.theirs[i]
	}
	slices.Sort(ratios)
	return ratios
}

// ProcessorSeconds is the processor time that f takes on all of this process's threads.
func ProcessorSeconds(f func()) float64 {
	before := processorTime()
	f()
	return (processorTime() - before).Seconds()
}

// processorTime is the processor time that the process has used, user and system; on
// systems without that account, the time that has passed.
var processorTime = func() time.Duration { return time.Since(started) }

var started = time.Now()
