package measure

import (
	"cmp"
	"slices"

	"github.com/boothbench/boothbench/dsp"
)

// Over is a stretch of one channel that exceeds a ceiling.
type Over struct {
	Frame   int64 // where it begins
	Frames  int64 // from its first frame over the ceiling to its last
	Above   int64 // the frames among them that are over it
	Channel int   // from 0

	// The largest readings of the frames over the ceiling, full scale 1.0. As in the
	// meters, Annex2 and Fine include the samples.
	Sample, Annex2, Fine float64

	FirstWindow bool // part of it is in a first window after silence
}

// Largest is the largest of the readings, full scale 1.0.
func (e Over) Largest() float64 { return max(e.Annex2, e.Fine) } // the samples are in both

// Exceeds names the readings that are above a ceiling in dBTP: "sample", "annex2",
// "fine".
func (e Over) Exceeds(ceilingDBTP float64) []string {
	ceiling := dsp.DBToAmplitude(ceilingDBTP)
	var names []string
	for i, v := range []float64{e.Sample, e.Annex2, e.Fine} {
		if v > ceiling {
			names = append(names, [...]string{"sample", "annex2", "fine"}[i])
		}
	}
	return names
}

// WorseThan orders events: the larger one first, and of equal ones the earlier.
func (e Over) WorseThan(other Over) int {
	return cmp.Or(cmp.Compare(other.Largest(), e.Largest()), e.earlierThan(other))
}

func (e Over) earlierThan(other Over) int {
	return cmp.Or(cmp.Compare(e.Frame, other.Frame), cmp.Compare(e.Channel, other.Channel))
}

// overEvents counts events and keeps the worst. The order in which they arrive does not
// matter.
type overEvents struct {
	most  int
	count int64
	kept  []Over
}

func (l *overEvents) add(e Over) {
	l.count++
	l.kept = append(l.kept, e)
	if len(l.kept) > 2*l.most { // rarely, so that sorting costs little
		l.trim()
	}
}

func (l *overEvents) trim() {
	slices.SortFunc(l.kept, Over.WorseThan)
	l.kept = l.kept[:min(l.most, len(l.kept))]
}

// inTime returns the worst events in order of time.
func (l *overEvents) inTime() []Over {
	l.trim()
	slices.SortFunc(l.kept, Over.earlierThan)
	return l.kept
}
