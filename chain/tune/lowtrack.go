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

// behind returns the power of every stored millisecond of a channel behind filters. The filters
// are designed for lowRate.
func (t *lowTrack) behind(channel int, filters ...dsp.Processor) (power []float32) {
	power = make([]float32, 0, len(t.kept[channel]))
	x := make([]float64, 0, 1024)
	for from := 0; from < len(t.kept[channel]); from += cap(x) {
		x = x[:0]
		for _, v := range t.kept[channel][from:min(len(t.kept[channel]), from+cap(x))] {
			x = append(x, float64(math.Float32frombits(uint32(v)<<16)))
		}
		for _, f := range filters {
			f.Process(dsp.Block{x})
		}
		for _, v := range x {
			power = append(power, float32(v*v))
		}
	}
	return power
}
