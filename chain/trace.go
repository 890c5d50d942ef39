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

// Trace writes the gains of a chain's dynamics stages over the time of the input as CSV,
// for one run. Each row covers a millisecond (to the nearest frame). Each column is the
// lowest gain in dB that one stage applied to one channel in it, without make-up and
// drive. Each gain is at the input frame that it was applied to: the latency before it is
// taken out. Gains returns the same as numbers.
type Trace struct {
	out            io.Writer
	rate, channels int

	mu     sync.Mutex // the stages report from several goroutines
	stages []*traced
	frame  int64  // where the next row begins
	text   []byte // rows not yet written
}

// traced are one stage's gains, folded into intervals that wait for those of the other
// stages.
type traced struct {
	intervals
	name    string
	waiting []float64 // intervals, channels side by side
	read    int       // values of waiting that are in rows already
}

// NewTrace makes a trace that writes to w.
func NewTrace(w io.Writer) *Trace { return &Trace{out: w} }

func (t *Trace) begin(rate, channels int) { t.rate, t.channels = rate, channels }

// follow adds a stage to the trace.
func (t *Trace) follow(name string) *traced {
	f := &traced{intervals: newIntervals(t.rate, t.channels), name: name}
	t.stages = append(t.stages, f)
	return f
}

// header writes the first row, after all stages were added.
func (t *Trace) header() error {
	row := []string{"frame", "time_s"}
	for _, f := range t.stages {
		for c := range t.channels {
			row = append(row, fmt.Sprintf("%s ch%d gain_db", f.name, c+1))
		}
	}
	out := csv.NewWriter(t.out)
	if err := out.Write(row); err != nil {
		return err
	}
	out.Flush()
	return out.Error()
}

// take folds a stage's gains of frames from … to−1, and writes the rows for which
// every stage has an interval.
func (t *Trace) take(f *traced, gain dsp.Block, from, to int) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	f.fold(gain, from, to, f.wait)
	return t.write()
}

func (f *traced) wait(lowest []float64) { f.waiting = append(f.waiting, lowest...) }

func (t *Trace) write() error {
	for t.complete() {
		t.row()
		t.frame += int64(t.stages[0].interval)
	}
	for _, f := range t.stages {
		f.waiting = append(f.waiting[:0], f.waiting[f.read:]...)
		f.read = 0
	}
	if len(t.text) < 1<<15 {
		return nil
	}
	return t.flush()
}

func (t *Trace) flush() error {
	_, err := t.out.Write(t.text)
	t.text = t.text[:0]
	return err
}

func (t *Trace) complete() bool {
	for _, f := range t.stages {
		if f.read == len(f.waiting) {
			return false
		}
	}
	return len(t.stages) > 0
}

// row appends one row to the text.
func (t *Trace) row() {
	t.text = strconv.AppendInt(t.text, t.frame, 10)
	t.text = append(t.text, ',')
	t.text = appendDecimal(t.text, int64(math.Round(float64(t.frame)/float64(t.rate)*10_000)), 4)
	for _, f := range t.stages {
		for _, g := range f.waiting[f.read : f.read+t.channels] {
			t.text = append(t.text, ',')
			t.text = appendDecimal(t.text, int64(math.Round(gainDB(g)*1000)), 3)
		}
		f.read += t.channels
	}
	t.text = append(t.text, '\n')
}

// appendDecimal appends units of 10^-places, up to 9 places, as a decimal number. strconv
// takes ten times as long, which for half an hour of rows is longer than processing the
// sound.
func appendDecimal(text []byte, units int64, places int) []byte {
	if units < 0 {
		text, units = append(text, '-'), -units
	}
	scale := int64(1)
	for range places {
		scale *= 10
	}
	text = append(strconv.AppendInt(text, units/scale, 10), '.')
	for rest := units % scale; places > 0; places-- {
		scale /= 10
		text = append(text, byte('0'+rest/scale%10))
	}
	return text
}

// gainDB is a gain in dB as it is printed. A gain of 0 has no number in dB: everything
// below −200 dB reads −200. A value that rounds to 0 has no sign.
func gainDB(g float64) float64 {
	if g == 1 {
		return 0
	}
	db := max(dsp.AmplitudeToDB(g), -200)
	if db > -0.0005 && db < 0.0005 {
		return 0
	}
	return db
}

// end writes the last interval.
func (t *Trace) end() error {
	t.mu.Lock()
	defer t.mu.Unlock()
	for _, f := range t.stages {
		f.rest(f.wait)
	}
	if err := t.write(); err != nil {
		return err
	}
	return t.flush()
}
