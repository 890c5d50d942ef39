package tune

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
)

// takeTracks are two levels of a take for each millisecond, of the loudest channel, in
// hundredths of a dB: what an expander's detector reads (RMS over 20 ms under a
// triangle, behind a side chain of 150 Hz), and the sample peak above 60 Hz.
type takeTracks struct {
	rate        int
	level, peak []int16
	detectors   []trackDetector // of each channel
	side, sound *dsp.Cascade
	sideWork    dsp.Block
	soundWork   dsp.Block
	frame       int64 // frames so far
	end         int64 // the frame with which the running millisecond ends
}

// trackDetector is the state of one channel.
type trackDetector struct {
	sum, peak float64
	past      [2 * halfWindow]float64 // mean squares of milliseconds, the last one first
}

const (
	halfWindow  = 10  // ms: half of the 20 ms
	sideChainHz = 150 // ahead of the expander's detector, always: see expanderRule
	soundHz     = 60
	// mostTrackMs bounds what is kept: the rules rest on the first two hours, the
	// verifying run on all.
	mostTrackMs = 2 * 3600 * 1000
	quietest    = -20000 // hundredths of a dB
)

func newTakeTracks(f wave.Format) *takeTracks {
	fs := float64(f.Rate)
	t := &takeTracks{
		rate: f.Rate, detectors: make([]trackDetector, f.Channels),
		side:  dsp.NewCascade(dsp.ButterworthHighPass(2, min(sideChainHz, 0.4*fs), fs), f.Channels),
		sound: dsp.NewCascade(dsp.ButterworthHighPass(2, soundHz, fs), f.Channels),
	}
	t.sideWork, t.soundWork = dsp.NewBlock(f.Channels, f.Rate/500), dsp.NewBlock(f.Channels, f.Rate/500)
	t.end = t.msStart(1)
	return t
}

// msStart is the frame with which a millisecond begins.
func (t *takeTracks) msStart(ms int) int64 { return int64(ms) * int64(t.rate) / 1000 }

// msOf is the millisecond of a frame.
func (t *takeTracks) msOf(frame int64) int { return int(frame * 1000 / int64(t.rate)) }

func (t *takeTracks) write(b dsp.Block) {
	for from := 0; from < b.Frames(); {
		n := min(b.Frames()-from, int(t.end-t.frame))
		side, sound := make(dsp.Block, len(b)), make(dsp.Block, len(b))
		for c := range b {
			side[c], sound[c] = t.sideWork[c][:n], t.soundWork[c][:n]
			copy(side[c], b[c][from:])
			copy(sound[c], b[c][from:])
		}
		t.side.Process(side)
		t.sound.Process(sound)
		for c := range t.detectors {
			d := &t.detectors[c]
			for i, x := range side[c] {
				d.sum += x * x
				d.peak = max(d.peak, math.Abs(sound[c][i]))
			}
		}
		from += n
		if t.frame += int64(n); t.frame == t.end {
			t.endMs()
		}
	}
}

func (t *takeTracks) endMs() {
	ms := len(t.level)
	frames := float64(t.end - t.msStart(ms))
	if ms < mostTrackMs {
		level, peak := 0.0, 0.0
		for c := range t.detectors {
			d := &t.detectors[c]
			copy(d.past[1:], d.past[:])
			d.past[0] = d.sum / frames
			sum := 0.0
			for k, p := range d.past {
				sum += p * float64(min(k+1, 2*halfWindow-k))
			}
			level, peak = max(level, sum/(halfWindow*(halfWindow+1))), max(peak, d.peak)
			d.sum, d.peak = 0, 0
		}
		t.level = append(t.level, centibels(level))
		t.peak = append(t.peak, centibels(peak*peak))
		t.end = t.msStart(ms + 2)
		return
	}
	t.end = math.MaxInt64
}

// centibels is the level of a mean square in hundredths of a dB.
func centibels(power float64) int16 {
	if !(power > 0) {
		return quietest
	}
	return int16(math.Round(min(10000, max(quietest, 100*dsp.PowerToDB(power)))))
}
