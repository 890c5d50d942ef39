package chain

import (
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"strconv"
	"sync"

	"github.com/boothbench/boothbench/dsp"
)

// Trace writes, as CSV, what the gains of a chain's dynamics stages did over
// the time of the input, for one run. Each row covers a millisecond (to the
// nearest frame); each column holds the lowest gain in dB that one stage
// applied to one channel in it, make-up and drive left out. A gain stands at
// the input frame that it was applied to, whatever latency came before.
type Trace struct {
	out            *csv.Writer
	rate, channels int
	interval       int // frames a row

	mu     sync.Mutex // the stages report from several goroutines
	stages []*followed
	row    []string
	frame  int64 // where the next row begins
	limit  int64 // where the input ends, once known
}

// followed is one stage's gain, folded into intervals that wait to be written.
type followed struct {
	name    string
	skip    int       // frames of latency that come before the input's first
	filled  int       // frames in the interval being folded
	lowest  []float64 // per channel, of that interval
	waiting []float64 // folded intervals, channels side by side
}

// NewTrace makes a trace that writes to w.
func NewTrace(w io.Writer) *Trace { return &Trace{out: csv.NewWriter(w)} }

func (t *Trace) begin(rate, channels int) {
	t.rate, t.channels = rate, channels
	t.interval = max(1, dsp.Frames(1, rate))
	t.limit = math.MaxInt64
}

// follow adds a stage to the trace; delay is the latency in frames up to and
// including it. The returned function takes the stage's gains, block by block.
func (t *Trace) follow(name string, delay int) func(gain dsp.Block) error {
	f := &followed{name: name, skip: delay, lowest: make([]float64, t.channels)}
	f.restart()
	t.stages = append(t.stages, f)
	return func(gain dsp.Block) error {
		t.mu.Lock()
		defer t.mu.Unlock()
		f.take(gain, t.interval)
		return t.write()
	}
}

// header writes the first row, when all stages are known.
func (t *Trace) header() error {
	t.row = append(t.row[:0], "frame", "time_s")
	for _, f := range t.stages {
		for c := range t.channels {
			t.row = append(t.row, fmt.Sprintf("%s ch%d gain_db", f.name, c+1))
		}
	}
	return t.out.Write(t.row)
}

func (f *followed) restart() {
	f.filled = 0
	for c := range f.lowest {
		f.lowest[c] = math.Inf(1)
	}
}

func (f *followed) take(gain dsp.Block, interval int) {
	frames := gain.Frames()
	from := min(f.skip, frames)
	f.skip -= from
	for from < frames {
		to := min(frames, from+interval-f.filled)
		for c, plane := range gain {
			for _, g := range plane[from:to] {
				f.lowest[c] = min(f.lowest[c], g)
			}
		}
		if f.filled += to - from; f.filled == interval {
			f.fold()
		}
		from = to
	}
}

func (f *followed) fold() {
	f.waiting = append(f.waiting, f.lowest...)
	f.restart()
}

// write writes the rows for which every stage has an interval waiting.
func (t *Trace) write() error {
	for t.complete() {
		t.row = append(t.row[:0], strconv.FormatInt(t.frame, 10), strconv.FormatFloat(float64(t.frame)/float64(t.rate), 'f', 4, 64))
		for _, f := range t.stages {
			for _, g := range f.waiting[:t.channels] {
				t.row = append(t.row, strconv.FormatFloat(gainDB(g), 'f', 3, 64))
			}
			f.waiting = append(f.waiting[:0], f.waiting[t.channels:]...)
		}
		if err := t.out.Write(t.row); err != nil {
			return err
		}
		t.frame += int64(t.interval)
	}
	return nil
}

func (t *Trace) complete() bool {
	for _, f := range t.stages {
		if len(f.waiting) == 0 {
			return false
		}
	}
	return len(t.stages) > 0 && t.frame < t.limit
}

// gainDB is a gain in dB as the file shows it: a gain of zero has no number,
// so what lies below −200 dB reads −200, and what rounds to 0 has no sign.
func gainDB(g float64) float64 {
	db := max(dsp.AmplitudeToDB(g), -200)
	if db > -0.0005 && db < 0.0005 {
		return 0
	}
	return db
}

// inputEnds tells the trace how long the input was; what follows is the
// silence that empties the stages.
func (t *Trace) inputEnds(frames int64) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.limit = frames
}

// end writes what the last interval holds.
func (t *Trace) end() error {
	t.mu.Lock()
	defer t.mu.Unlock()
	for _, f := range t.stages {
		if f.filled > 0 {
			f.fold()
		}
	}
	if err := t.write(); err != nil {
		return err
	}
	t.out.Flush()
	return t.out.Error()
}
