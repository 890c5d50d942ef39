package measure

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/vector"
	"github.com/boothbench/boothbench/measure/internal/planes"
)

// MonoPolicy is how a sound of one channel is counted.
type MonoPolicy int

const (
	// AsIs measures the one channel as it is, as one loudspeaker plays it.
	AsIs MonoPolicy = iota
	// DualMono measures it as two equal channels, as a stereo player plays it:
	// 3.01 LU more.
	DualMono
)

// LoudnessSettings describes the sound that a loudness meter gets.
type LoudnessSettings struct {
	Rate        int // Hz, 8000 to 384000
	Channels    int
	ChannelMask uint32     // as in wave.Format; 0: not stated
	Mono        MonoPolicy // for one channel
}

// Loudness measures loudness by Rec. ITU-R BS.1770-5 and EBU Tech 3341 and
// 3342: momentary (400 ms), short-term (3 s) and integrated (gated), and the
// loudness range. It keeps 8 bytes for every 100 ms.
type Loudness struct {
	settings LoudnessSettings
	weights  []float64
	filter   *dsp.Energies
	part     dsp.Block // what is measured next, of a block
	waiting  dsp.Block // the beginning of a part whose end has not come yet

	frames    int64                   // measured so far
	slot      int64                   // slots completed
	slotEnd   int64                   // frame at which the running slot ends
	energies  []float64               // of the running slot, per channel
	before    []float64               // the same before the last frames
	recent    [shortTermSlots]float64 // weighted energy of the last slots, a ring
	momentary maximum
	shortTerm maximum
	shortSum  float64
	hops      hopList // weighted energy of each 100 ms
	hop       float64
	nonFinite int64          // frame of the first NaN or infinity, −1: none
	sounding  bool           // a sample was not 0
	cells     *loudnessCells // nil: no TapCells
}

// A slot is 10 ms: the grid on which the largest momentary and short-term
// loudness are looked for. (On a grid of 100 ms, EBU Tech 3341's signal 13
// reads 0.45 LU too low.)
const (
	slotsPerSecond = 100
	momentarySlots = 40
	shortTermSlots = 300
	slotsPerHop    = 10

	momentarySeconds = momentarySlots * 1.0 / slotsPerSecond
	shortTermSeconds = shortTermSlots * 1.0 / slotsPerSecond
)

// maximum is the largest mean power of a sliding window.
type maximum struct {
	power float64
	frame int64 // where its window begins
	found bool
}

func (m *maximum) offer(power float64, frame int64) {
	if !m.found || power > m.power {
		*m = maximum{power, frame, true}
	}
}

// NewLoudness makes a meter.
func NewLoudness(s LoudnessSettings) (*Loudness, error) {
	if s.Rate < 8000 || s.Rate > 384000 {
		return nil, fmt.Errorf("loudness: found a rate of %d Hz; accepted: 8000 to 384000 Hz", s.Rate)
	}
	if s.Mono != AsIs && s.Mono != DualMono {
		return nil, fmt.Errorf("loudness: found mono policy %d; accepted: AsIs, DualMono", s.Mono)
	}
	if s.Channels < 1 || s.Channels > dsp.MaxChannels {
		return nil, fmt.Errorf("loudness: found %s; accepted: 1 to %d", dsp.Plural(s.Channels, "channel"), dsp.MaxChannels)
	}
	l := &Loudness{
		settings: s, weights: channelWeights(s.Channels, s.ChannelMask),
		filter: dsp.NewEnergies(KWeighting(float64(s.Rate)), s.Channels), part: make(dsp.Block, s.Channels),
		waiting:  dsp.NewBlock(s.Channels, s.Rate/slotsPerSecond+1), // as much as may wait
		energies: make([]float64, s.Channels), before: make([]float64, s.Channels), nonFinite: -1,
	}
	if s.Channels == 1 && s.Mono == DualMono {
		l.weights[0] = 2
	}
	for c := range l.waiting {
		l.waiting[c] = l.waiting[c][:0]
	}
	l.slotEnd = l.slotStart(1)
	return l, nil
}

// slotStart is the frame at which a slot begins, rounded to the nearest frame.
func (l *Loudness) slotStart(slot int64) int64 { return slotStart(slot, l.settings.Rate) }

func slotStart(slot int64, rate int) int64 {
	return (slot*int64(rate) + slotsPerSecond/2) / slotsPerSecond
}

// TapCells also gives, from the first frame on, the K-weighted energy of every so
// many frames: of each channel, times the channel's weight. The slice is valid
// during the call. It panics unless frames is at least 1 and there is a function.
func (l *Loudness) TapCells(frames int, take func(energies []float64)) {
	if frames < 1 || take == nil {
		panic(fmt.Sprintf("measure: Loudness.TapCells: found cells of %s, and a function: %t; accepted: 1 frame or more, and a function", dsp.Plural(frames, "frame"), take != nil))
	}
	l.cells = &loudnessCells{frames: int64(frames), end: l.frames + int64(frames), take: take,
		energies: make([]float64, len(l.energies)), part: make([]float64, len(l.energies))}
}

// loudnessCells gathers energies for TapCells.
type loudnessCells struct {
	frames, end    int64
	energies, part []float64
	take           func([]float64)
}

// complete passes on the running cell.
func (c *loudnessCells) complete(weights []float64) {
	for i, w := range weights {
		c.energies[i] *= w
	}
	c.take(c.energies)
	clear(c.energies)
	c.end += c.frames
}

// Write takes the next block. A part that ends with a slot or a cell is measured once it is
// whole, so that how the sound is cut into blocks changes no bit.
func (l *Loudness) Write(b dsp.Block) {
	mustFit("Loudness", b, len(l.part))
	for from, frames := 0, b.Frames(); from < frames; {
		end := l.slotEnd
		if l.cells != nil {
			end = min(end, l.cells.end)
		}
		missing := int(end-l.frames) - l.waiting.Frames()
		to := min(frames, from+missing)
		if to-from < missing || l.waiting.Frames() > 0 {
			for c := range l.waiting {
				l.waiting[c] = append(l.waiting[c], b[c][from:to]...)
			}
		}
		if to-from == missing {
			whole, first, last := b, from, to
			if n := l.waiting.Frames(); n > 0 {
				whole, first, last = l.waiting, 0, n
			}
			for c := range l.part {
				l.part[c] = whole[c][first:last]
			}
			l.take()
			for c := range l.waiting {
				l.waiting[c] = l.waiting[c][:0]
			}
		}
		from = to
	}
	clear(l.part)
}

// take measures the part. NaN and infinite samples show in the energies: then the filter
// goes back and measures the frames without them.
func (l *Loudness) take() {
	for _, plane := range l.part {
		l.sounding = l.sounding || vector.Peak(plane) != 0
	}
	energies := l.energies
	if l.cells != nil {
		energies = l.cells.part
		clear(energies)
	}
	copy(l.before, energies)
	l.filter.Mark()
	l.filter.Add(l.part, energies)
	if planes.FirstNonFinite(dsp.Block{energies}) >= 0 {
		if n := planes.FirstNonFinite(l.part); n >= 0 {
			if l.nonFinite < 0 {
				l.nonFinite = l.frames + int64(n)
			}
			for c, plane := range l.part {
				l.part[c] = slices.Clone(plane)
			}
			dsp.Scrub(l.part)
			l.filter.Return()
			copy(energies, l.before)
			l.filter.Add(l.part, energies)
		}
	}
	l.frames += int64(l.part.Frames())
	if l.cells != nil {
		for c, e := range energies {
			l.energies[c] += e
			l.cells.energies[c] += e
		}
		if l.frames == l.cells.end {
			l.cells.complete(l.weights)
		}
	}
	if l.frames == l.slotEnd {
		l.endSlot()
	}
}

func (l *Loudness) endSlot() {
	energy := 0.0
	for c, w := range l.weights {
		energy += w * l.energies[c]
	}
	clear(l.energies)
	at := l.slot % shortTermSlots
	l.shortSum += energy - l.recent[at]
	l.recent[at] = energy
	l.hop += energy
	l.slot++
	l.slotEnd = l.slotStart(l.slot + 1)

	if l.slot >= momentarySlots {
		first := int((l.slot - momentarySlots) % shortTermSlots)
		sum := sumOf(l.recent[first:min(first+momentarySlots, shortTermSlots)]) + sumOf(l.recent[:max(0, first+momentarySlots-shortTermSlots)])
		start := l.slotStart(l.slot - momentarySlots)
		l.momentary.offer(sum/float64(l.frames-start), start)
	}
	if l.slot%slotsPerHop == 0 {
		l.hops.add(l.hop)
		l.hop = 0
		// The running sum gathers rounding errors: sum afresh now and then.
		l.shortSum = sumOf(l.recent[:])
	}
	if l.slot >= shortTermSlots {
		start := l.slotStart(l.slot - shortTermSlots)
		l.shortTerm.offer(l.shortSum/float64(l.frames-start), start)
	}
}

// sumOf adds in four sums, so that additions do not wait for each other.
func sumOf(x []float64) float64 {
	var a, b, c, d float64
	for ; len(x) >= 4; x = x[4:] {
		a, b, c, d = a+x[0], b+x[1], c+x[2], d+x[3]
	}
	for _, v := range x {
		a += v
	}
	return (a + b) + (c + d)
}

// lufs is the loudness of a mean power (BS.1770-5 Annex 1, eq. 2).
func lufs(power float64) float64 { return -0.691 + dsp.PowerToDB(power) }

// hopList is a list that grows without copying.
type hopList struct {
	chunks [][]float64
	count  int
}

const hopChunk = 1 << 12 // 32 KiB, 7 minutes

func (h *hopList) add(energy float64) {
	if h.count%hopChunk == 0 {
		h.chunks = append(h.chunks, make([]float64, hopChunk))
	}
	h.chunks[h.count/hopChunk][h.count%hopChunk] = energy
	h.count++
}

const (
	absoluteGateLUFS = -70 // BS.1770-5 Annex 1, eq. 5; Tech 3342
	relativeGateLU   = -10 // BS.1770-5 Annex 1, eq. 6
	rangeGateLU      = -20 // Tech 3342
)

// Profile is the loudness so far, every 100 ms.
func (l *Loudness) Profile() LoudnessProfile {
	p := LoudnessProfile{RateHz: l.settings.Rate, Energies: make([]float64, 0, l.hops.count)}
	for i := 0; i < l.hops.count; i += hopChunk {
		p.Energies = append(p.Energies, l.hops.chunks[i/hopChunk][:min(hopChunk, l.hops.count-i)]...)
	}
	return p
}

// Series returns the momentary and the short-term loudness in LUFS at the end
// of each 100 ms, −Inf for silence, NaN while the window is not full.
func (l *Loudness) Series() (momentary, shortTerm []float64) {
	profile := l.Profile()
	fill := func(window int) []float64 {
		out := make([]float64, l.hops.count)
		for i := range out {
			out[i] = math.NaN()
		}
		for i, p := range profile.powers(window) {
			out[i+window-1] = lufs(p)
		}
		return out
	}
	return fill(4), fill(30)
}

// Table is the loudness over time, with a row at the end of every 100 ms. A field is
// empty while its window is not full, and for silence.
func (l *Loudness) Table() Table {
	t := Table{Columns: []string{"frame", "time_s", "momentary_lufs", "short_term_lufs"}}
	momentary, shortTerm := l.Series()
	for i := range momentary {
		frame := l.slotStart(int64(i+1) * slotsPerHop)
		t.Rows = append(t.Rows, []float64{float64(frame), float64(frame) / float64(l.settings.Rate), momentary[i], shortTerm[i]})
	}
	return t
}

// Readings returns integrated_lufs, loudness_range_lu, momentary_max_lufs and
// short_term_max_lufs.
func (l *Loudness) Readings() Readings {
	reference := "digital full scale"
	if l.settings.Channels == 1 {
		if l.settings.Mono == DualMono {
			reference += "; mono as two equal channels"
		} else {
			reference += "; mono as one channel"
		}
	}
	if layout := layoutText(l.settings.Channels, l.settings.ChannelMask); layout != "" {
		reference += "; " + layout
	}
	make1 := func(name, unit, definition, reason string, value float64, frame int64) Named {
		r := Reading{Unit: unit, Reference: reference, Weighting: "K", Definition: definition, Frame: frame, Channel: -1}
		if reason != "" {
			r.Reason = reason
			if reason == "silence" && strings.Contains(name, "_max_") {
				r.Beyond = -1 // the largest level of silence is under every level; a gated mean has none
			}
		} else {
			r.Value = value
		}
		return Named{name, r}
	}
	profile := l.Profile()
	i, ok := profile.Integrated()
	nothing := fmt.Sprintf("nothing above the gate of %d LUFS", absoluteGateLUFS)
	mReason, sReason := l.reason(momentarySeconds), l.reason(shortTermSeconds)
	iReason, lraReason := mReason, sReason
	if iReason == "" && !ok {
		iReason = nothing
	}
	lra, ok := profile.Range()
	if lraReason == "" && !ok {
		lraReason = nothing
	}
	m, s := l.momentary, l.shortTerm
	if mReason == "" && m.power == 0 {
		mReason = "silence"
	}
	if sReason == "" && s.power == 0 {
		sReason = "silence"
	}
	rangeReading := make1("loudness_range_lu", "LU", "EBU Tech 3342 v4", lraReason, lra, -1)
	if l.written() < 60*int64(l.settings.Rate) {
		rangeReading.Bound = "little meaning under 60 s (EBU Tech 3342)"
	}
	return Readings{
		make1("integrated_lufs", "LUFS", fmt.Sprintf("Rec. ITU-R BS.1770-5 Annex 1, gated at %d LUFS and %d LU", absoluteGateLUFS, relativeGateLU), iReason, i, -1),
		rangeReading,
		make1("momentary_max_lufs", "LUFS", fmt.Sprintf("EBU Tech 3341 v4, %g ms, %d ms grid", 1000*momentarySeconds, 1000/slotsPerSecond), mReason, lufs(m.power), m.frame),
		make1("short_term_max_lufs", "LUFS", fmt.Sprintf("EBU Tech 3341 v4, %g s, %d ms grid", shortTermSeconds, 1000/slotsPerSecond), sReason, lufs(s.power), s.frame),
	}.Finite()
}

// written is the number of frames so far, those that wait included.
func (l *Loudness) written() int64 { return l.frames + int64(l.waiting.Frames()) }

// reason says why a window of some seconds cannot be measured, "" if it can.
func (l *Loudness) reason(seconds float64) string {
	have := float64(l.written()) / float64(l.settings.Rate)
	nonFinite, sounding := l.nonFinite, l.sounding
	if n := planes.FirstNonFinite(l.waiting); n >= 0 && nonFinite < 0 {
		nonFinite = l.frames + int64(n)
	}
	for _, plane := range l.waiting {
		sounding = sounding || vector.Peak(plane) != 0
	}
	switch {
	case nonFinite >= 0:
		return fmt.Sprintf("NaN or infinite sample at frame %d", nonFinite)
	case l.written() == 0:
		return "no sound: 0 frames"
	case !sounding:
		return "silence"
	case have < seconds-1e-9:
		return fmt.Sprintf("too short: %.3g s < %g s", have, seconds)
	}
	return ""
}
