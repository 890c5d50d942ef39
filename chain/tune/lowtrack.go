package tune

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
)

// lowTrack stores the low frequencies of a take: the mean of each millisecond of every channel,
// high-passed at 20 Hz. At this sample rate of 1 kHz everything below 150 Hz is kept. So the
// effect of a chain's filters on it can be computed for each pause, where a spectrum of 40 ms
// has too little resolution. The upper 16 bits of a float32 are precise enough, since offsets
// and everything else below 20 Hz are filtered out: their 8 significant bits err by less than
// 0.4 %.
type lowTrack struct {
	milliseconds
	most    int         // milliseconds that are stored
	sums    []sampleSum // of each channel
	waiting dsp.Block   // means that have not been filtered yet
	waits   int         // number of means in waiting
	audible *dsp.Cascade
	kept    [][]uint16 // of each channel, the upper halves of float32
}

const lowRate = 1000 // Hz

func newLowTrack(f wave.Format, frames int64) *lowTrack {
	t := &lowTrack{
		milliseconds: newMilliseconds(f.Rate), sums: make([]sampleSum, f.Channels), waiting: dsp.NewBlock(f.Channels, 1024),
		audible: dsp.NewCascade(dsp.ButterworthHighPass(4, 20, lowRate), f.Channels), kept: make([][]uint16, f.Channels),
	}
	t.most = mostTrackMs / max(1, f.Channels/2) // the memory of two channels
	for c := range t.kept {
		t.kept[c] = make([]uint16, 0, min(t.most, t.of(max(0, frames))))
	}
	return t
}

func (t *lowTrack) write(b dsp.Block) {
	for from := 0; from < b.Frames() && t.count < t.most; {
		n := min(b.Frames()-from, int(t.end-t.frame))
		for c := range t.sums {
			t.sums[c].add(b[c][from : from+n])
		}
		from += n
		frames := float64(t.frames())
		if !t.advance(n) {
			continue
		}
		for c := range t.sums {
			t.waiting[c][t.waits] = t.sums[c].take() / frames
		}
		if t.waits++; t.waits == t.waiting.Frames() {
			t.flush()
		}
	}
}

// flush filters and stores the waiting means.
func (t *lowTrack) flush() {
	part := make(dsp.Block, len(t.waiting))
	for c := range part {
		part[c] = t.waiting[c][:t.waits]
	}
	t.audible.Process(part)
	for c, means := range part {
		for _, v := range means {
			t.kept[c] = append(t.kept[c], uint16((math.Float32bits(float32(v))+1<<15)>>16))
		}
	}
	t.waits = 0
}

// lowPower reads the power of the stored milliseconds of a channel behind filters, some of them
// at a time.
type lowPower struct {
	kept    []uint16
	filters []dsp.Processor
	from    int // the first millisecond in sound
	sound   []float64
}

// behind returns a reader of a channel behind filters, which are designed for lowRate.
func (t *lowTrack) behind(channel int, filters ...dsp.Processor) *lowPower {
	return &lowPower{kept: t.kept[channel], filters: filters, sound: make([]float64, 0, 1024)}
}

// at returns the power of a stored millisecond, which must not be before the last one read.
func (l *lowPower) at(ms int) float32 {
	for ms >= l.from+len(l.sound) {
		l.from += len(l.sound)
		l.sound = l.sound[:min(cap(l.sound), len(l.kept)-l.from)]
		for k, v := range l.kept[l.from : l.from+len(l.sound)] {
			l.sound[k] = float64(math.Float32frombits(uint32(v) << 16))
		}
		for _, f := range l.filters {
			f.Process(dsp.Block{l.sound})
		}
	}
	v := l.sound[ms-l.from]
	return float32(v * v)
}
