// Package polarity finds where the polarity between two channels changes over time: a
// channel that is inverted in a part of a sound only.
package polarity

import "math"

const (
	// Least is the magnitude of the correlation from which on a window shows a polarity.
	// Two microphones in one room stay below it.
	Least = 0.9
	// leastWindows is how many windows a polarity must last: of 20 ms, a fifth of a second.
	leastWindows = 10
	// under is how far below the loudest window so far a window may lie, as a ratio of power:
	// 24 dB. An offset or a noise that both channels share decides quieter ones. Of windows
	// within loud, 10 dB, noise hides the polarity only if it hides the sound.
	under, loud = 1.0 / 256, 0.1
	// mostGap is how many loud windows may be undecided where the polarity changes: a switch
	// takes one or two, a phase that creeps by passes through many.
	mostGap = 2
	// mostUndecided is the share of the energy that may show no polarity.
	mostUndecided = 0.2
	// mostRuns bounds the memory; a polarity that changes more often is no switch.
	mostRuns = 1000
)

// Turns takes windows of two channels in order of time, each with its sums of squares and
// of products. The zero value is ready.
type Turns struct {
	loudest            float64
	decided, undecided float64 // energy
	gap                int     // loud undecided windows since the last decided one
	runs               []run
	pending            run // of the other polarity, not yet long enough
	soft               bool
}

// run is a stretch of one polarity.
type run struct {
	inverted bool
	from, to int64
	windows  int
	gap      int   // undecided windows ahead of it
	length   int64 // of its first window
	energy   float64
}

// Add takes a window from a frame to another: the sums of squares of both channels, and of
// their products.
func (t *Turns) Add(from, to int64, xx, yy, xy float64) {
	t.loudest = max(t.loudest, xx)
	if xx < t.loudest*under || xx == 0 {
		return
	}
	// A quiet second channel, as of a fade, shows a polarity as well as a loud one.
	if !(math.Abs(xy) >= Least*math.Sqrt(xx*yy)) || yy == 0 {
		t.undecided += xx
		if xx >= t.loudest*loud {
			t.gap++
		}
		return
	}
	t.decided += xx
	gap := t.gap
	t.gap = 0
	if len(t.runs) == 0 {
		t.runs = append(t.runs, run{inverted: xy < 0, from: from, to: to, windows: 1, length: to - from})
		return
	}
	last := &t.runs[len(t.runs)-1]
	if last.inverted == (xy < 0) {
		if t.pending.from < t.pending.to { // windows that contradict each other show nothing
			t.undecided += xx
		}
		if t.pending.windows--; t.pending.windows <= 0 { // the other one was chance
			t.undecided += t.pending.energy
			t.pending = run{}
			last.to = to
			last.windows++
		}
		return
	}
	if t.pending.windows == 0 {
		t.pending = run{inverted: xy < 0, from: from, gap: gap, length: to - from}
	}
	t.pending.to = to
	t.pending.windows++
	t.pending.energy += xx
	if t.pending.windows < leastWindows {
		return
	}
	if last.windows < leastWindows && len(t.runs) == 1 { // the beginning was chance
		t.runs = t.runs[:0]
	} else {
		t.soft = t.soft || t.pending.gap > mostGap || len(t.runs) == mostRuns
	}
	if len(t.runs) < mostRuns {
		t.runs = append(t.runs, t.pending)
	}
	t.pending = run{}
}

// A Span is a stretch of inverted polarity. Each end is off by Within frames at most: the
// polarity may change within a window that shows it. An end of the sound itself has 0.
type Span struct {
	From, To             int64
	FromWithin, ToWithin int64
}

// Inverted are the stretches of inverted polarity of a sound of a number of frames, where
// others are not inverted; none where the polarity does not change.
func (t *Turns) Inverted(frames int64) (all []Span) {
	if len(t.runs) < 2 || t.soft || t.undecided > mostUndecided*(t.undecided+t.decided) {
		return nil
	}
	for i, r := range t.runs {
		if !r.inverted {
			continue
		}
		s := Span{From: 0, To: frames}
		if i > 0 {
			before := t.runs[i-1].to
			s.From, s.FromWithin = (before+r.from)/2, (r.from-before+1)/2+r.length
		}
		if i+1 < len(t.runs) {
			next := t.runs[i+1].from
			s.To, s.ToWithin = (r.to+next)/2, (next-r.to+1)/2+r.length
		}
		all = append(all, s)
	}
	return all
}

// A Part is the longest inverted stretch of a channel.
type Part struct {
	Channel int // from 0, −1: each
	Span
	Count int // how many stretches the channel has
}

// Within is by how many frames an end may be off at most.
func (s Span) Within() int64 { return max(s.FromWithin, s.ToWithin) }

// Parts are the inverted stretches of the channels of a sound of a number of frames: one of
// each channel that has some, or one for all where these lie at the same places.
func Parts(channels []*Turns, frames int64) (all []Part) {
	spans := make([][]Span, len(channels))
	alike := true
	for i, t := range channels {
		spans[i] = t.Inverted(frames)
		alike = alike && len(spans[i]) == len(spans[0])
		for k := range min(len(spans[i]), len(spans[0])) {
			a, b := spans[i][k], spans[0][k]
			within := a.Within() + b.Within()
			alike = alike && max(a.From-b.From, b.From-a.From, a.To-b.To, b.To-a.To) <= within
		}
	}
	for i, of := range spans {
		if len(of) == 0 || alike && i > 0 {
			continue
		}
		part := Part{i, of[0], len(of)}
		if alike {
			part.Channel = -1
		}
		for _, s := range of {
			if s.To-s.From > part.To-part.From {
				part.Span = s
			}
		}
		all = append(all, part)
	}
	return all
}
