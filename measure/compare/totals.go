package compare

import (
	"math"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/vector"
)

// differences sums up what two sounds differ by, lined up and on one level.
type differences struct {
	from       int64     // frame of A at which it began
	frame      int64     // the next one
	xx, yy, ee []float64 // of A, of B on its level, of the difference; by channel
	largest    peakDifference
	first      int64 // frame at which a sample differs at all, −1: none
	changed    int64 // samples that do
	windows    levelHistogram
	dropouts   [2]dropouts // in A, in B
	edges      [2]edges    // of the last millisecond of A, of B
	window     differenceWindow
	length     int // of a window
	grain      int // of dropouts, a millisecond
	brief      differenceWindow
}

// peakDifference is a largest difference, and where it is.
type peakDifference struct {
	value   float64
	frame   int64
	channel int
}

// differenceWindow sums a short stretch of all channels.
type differenceWindow struct {
	frames     int
	xx, yy, ee float64
	ofX, ofY   float64 // of xx and yy, without what is constant
}

// differenceMs is how long the windows are by which a difference is distinguished from noise.
const differenceMs = 20

func newDifferences(rate, channels int, from int64) *differences {
	return &differences{
		from: from, frame: from, xx: make([]float64, channels), yy: make([]float64, channels), ee: make([]float64, channels), first: -1,
		length: dsp.Frames(differenceMs, rate), grain: grainFrames(rate),
	}
}

// moveTo goes on at another frame of A.
func (d *differences) moveTo(frame int64) {
	d.frame = frame
	d.brief, d.window = differenceWindow{}, differenceWindow{}
	for i := range d.dropouts {
		d.dropouts[i].running, d.dropouts[i].paused, d.dropouts[i].tail = 0, 0, 0
	}
}

// findFirst looks for the first frame in a range at which a sample differs; y is B before
// any gain.
func (d *differences) findFirst(x, y dsp.Block, from, to int) {
	for n := from; n < to; n++ {
		for c := range x {
			if x[c][n] != y[c][n] {
				d.first = d.frame + int64(n-from)
				return
			}
		}
	}
}

// add takes the next millisecond of a channel, and the samples of the difference. At the
// end of a piece it may be shorter.
func (d *differences) add(channel int, v *vector.Difference, e []float64) {
	d.xx[channel], d.yy[channel], d.ee[channel] = d.xx[channel]+v.XX, d.yy[channel]+v.YY, d.ee[channel]+v.EE
	d.brief.xx, d.brief.yy, d.brief.ee = d.brief.xx+v.XX, d.brief.yy+v.YY, d.brief.ee+v.EE
	d.brief.ofX, d.brief.ofY = d.brief.ofX+moving(v.X, v.XX, len(e)), d.brief.ofY+moving(v.Y, v.YY, len(e))
	d.changed += int64(v.Changed)
	if v.MostE > d.largest.value {
		d.largest = peakDifference{v.MostE, d.frame + int64(largestAt(e, v.MostE)), channel}
	}
}

// moving is a sum of squares over a millisecond, 0 where the samples are constant: an offset
// is no sound. 50 Hz moves more at its crest, by -48 dB.
func moving(sum, squares float64, frames int) float64 {
	if squares-sum*sum/float64(frames) < 1e-6*squares {
		return 0
	}
	return squares
}

// largestAt is where a magnitude is first met.
func largestAt(x []float64, magnitude float64) int {
	return slices.IndexFunc(x, func(v float64) bool { return math.Abs(v) == magnitude })
}

// advance ends a millisecond of all channels.
func (d *differences) advance(frames int) {
	at, b := d.frame, d.brief
	d.frame += int64(frames)
	d.brief = differenceWindow{}
	if frames < d.grain {
		return
	}
	samples := frames * len(d.xx)
	d.dropouts[0].see(at, b.xx, b.ofY, samples, frames, d.edges[0])
	d.dropouts[1].see(at, b.yy, b.ofX, samples, frames, d.edges[1])
	d.window.frames += frames
	d.window.ee += b.ee
	if d.window.frames >= d.length {
		d.windows.add(d.window.ee / float64(d.window.frames*len(d.xx)))
		d.window = differenceWindow{}
	}
}

// gone is the number of dropouts so far, in both sounds.
func (d *differences) gone() int64 { return d.dropouts[0].count + d.dropouts[1].count }

// dropouts are stretches in which one sound is gone while the other goes on.
type dropouts struct {
	count    int64
	first    int64   // frame of the first
	longest  int     // frames
	silent   int64   // frames of all in which it is silent
	counted  int     // of the one at hand in silent
	within   int     // by how many frames longest may be off
	running  int     // milliseconds of the one at hand
	length   int     // frames, its last millisecond in full
	short    int     // frames of that millisecond that are not silent
	tail     int     // silent frames at the end of the last millisecond
	quietest float64 // mean square of its quietest millisecond
	paused   int     // milliseconds since the other sound was over dropoutLeast in it
	began    int64
	from     int64      // its first millisecond
	spans    [][2]int64 // frames of the first ones: from and to
}

const (
	dropoutDB     = -40 // what is left in it against the other sound
	dropoutLeast  = -60 // dBFS mean square: less is a pause (common practice, no source)
	dropoutLeast1 = 2   // ms
	dropoutSilent = -90 // dBFS: what a sound is under that was taken away; dither of 16 bits is at −96
)

// The same as ratios of power.
var dropoutShare, dropoutPower, dropoutSilence = dsp.DBToPower(dropoutDB), dsp.DBToPower(dropoutLeast), dsp.DBToPower(dropoutSilent)

// mostSpans is how many dropouts are kept with their places.
const mostSpans = 1000

// inDropout reports whether a frame lies in a dropout, or within 3 ms of one.
func (d *differences) inDropout(frame int64) bool {
	margin := int64(4 * d.grain)
	for _, in := range d.dropouts {
		for _, span := range in.spans {
			if frame >= span[0]-margin && frame <= span[1]+margin {
				return true
			}
		}
	}
	return false
}

// edges are how many frames at the beginning and at the end of a millisecond are silent in
// all channels.
type edges struct{ head, tail int }

// silentSample is the largest sample of what a sound is silent with: 12 dB over the rms of
// dropoutSilent, which dither does not exceed.
var silentSample = 4 * dsp.DBToAmplitude(dropoutSilent)

// edgesOf are those of the frames of a block from one to another, whose sound is at A's level
// times a gain.
func edgesOf(b dsp.Block, from, to int, gain float64) edges {
	most := silentSample * gain
	silent := func(n int) bool {
		for c := range b {
			if math.Abs(b[c][n]) > most {
				return false
			}
		}
		return true
	}
	var e edges
	for from+e.head < to && silent(from+e.head) {
		e.head++
	}
	for to-e.tail > from && silent(to-1-e.tail) {
		e.tail++
	}
	return e
}

// measured keeps the length of the one at hand, with the silent frames behind its last
// millisecond. Where it is not silent, its ends are not known to the frame: each may lie
// anywhere in a millisecond.
func (d *dropouts) measured(grain, behind int) {
	length, within := d.length-d.short+behind, 0
	if d.short > 0 { // it ends within its last millisecond
		length -= behind
	}
	if d.quietest > dropoutSilence {
		length, within = (d.running+1)*grain, grain
	} else {
		d.silent, d.counted = d.silent+int64(length-d.counted), length
	}
	if length >= d.longest {
		d.longest, d.within = length, within
	}
}

// see takes a millisecond of the sound and of the other.
func (d *dropouts) see(frame int64, own, other float64, samples, grain int, e edges) {
	before := d.tail
	d.tail = e.tail
	least := dropoutPower * float64(samples)
	gone := other > least && own < other*dropoutShare
	if !gone {
		if d.running >= dropoutLeast1 && other <= least && own < dropoutSilence*float64(samples) {
			d.paused++ // a pause of the other sound does not end it
			return
		}
		if d.running >= dropoutLeast1 && d.paused == 0 {
			d.measured(grain, e.head)
		}
		d.running, d.paused = 0, 0
		return
	}
	paused := d.paused
	d.running += 1 + paused
	d.paused = 0
	if d.running == 1 {
		d.began, d.length, d.quietest = frame-int64(before), before, math.Inf(1)
		d.counted = 0
		if e.tail < grain { // it begins within this millisecond
			d.began, d.length = frame+int64(grain-e.tail), e.tail-grain
		}
		d.from = frame
	}
	d.length += grain * (1 + paused)
	d.short = grain - e.head
	d.quietest = min(d.quietest, own/float64(samples))
	if d.running >= dropoutLeast1 {
		d.measured(grain, 0)
		if d.running > dropoutLeast1 && d.count <= mostSpans {
			d.spans[len(d.spans)-1][1] = frame
		}
	}
	if d.running == dropoutLeast1 { // no pause leads here
		if d.quietest > dropoutSilence {
			d.began = d.from
		}
		if d.count++; d.count == 1 {
			d.first = d.began
		}
		if d.count <= mostSpans {
			d.spans = append(d.spans, [2]int64{d.began, frame})
		}
	}
}

// levelHistogram counts windows by their level in dB.
type levelHistogram struct {
	counts [300]int // from −250 dBFS up
	total  int
}

func (h *levelHistogram) add(meanSquare float64) {
	if meanSquare <= 0 {
		return
	}
	bin := int(math.Round(dsp.PowerToDB(meanSquare))) + 250
	h.counts[max(0, min(len(h.counts)-1, bin))]++
	h.total++
}

// percentile is the level that a share of the windows stays under.
func (h *levelHistogram) percentile(share float64) float64 {
	seen := 0
	for i, n := range h.counts {
		if seen += n; float64(seen) >= share*float64(h.total) {
			return float64(i - 250)
		}
	}
	return math.Inf(1)
}

// steady reports whether the windows have about one level, as those of noise have.
func (h *levelHistogram) steady() bool {
	return h.total > 10 && h.percentile(0.95)-h.percentile(0.05) <= 4
}
