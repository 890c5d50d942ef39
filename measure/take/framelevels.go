package take

import (
	"errors"
	"slices"

	"github.com/boothbench/boothbench/dsp"
)

const (
	// frameMs and hopMs cut a take into frames whose levels are compared.
	frameMs, hopMs = 50, 25
	// Pauses are found above PauseHighPassHz: rooms are loudest below, where the voice
	// is weakest. What counts as noise or voice lies above audibleHz.
	PauseHighPassHz, voiceHighPassHz, audibleHz = 150, 80, 20
	// Breaths and laughter begin and end softly, but are louder than room noise at high
	// frequencies: a frame whose level above brightHz exceeds that of the others contains
	// one.
	brightHz = 2000
	// An edit is a millisecond of exact zeros.
	editMs = 1
)

// frameLevels are the levels of a take's 50 ms frames, a hop apart.
type frameLevels struct {
	powers hopPowers
	whole  bool // the voice and the bands of speech events are read as well

	pause, audible, bright []levelTrack  // by channel
	voices                 []levelTrack  // by channel
	loudest                levelTrack    // of several: the voice of the loudest one in each frame
	events                 [2]levelTrack // thump and sibilance of each hop, of the loudest channel

	store *trackStore // of the tracks
	hum   *humStore   // once the floors are known

	before struct{ pause, voice, audible, bright []float64 } // mean squares of the hop before
	zeros  []zeroRuns                                        // by channel
}

// zeroRuns finds the frames of a channel that hold an edit.
type zeroRuns struct {
	run, filled     int    // frames
	hops            int    // completed
	running, before bool   // the running hop, and the one before it, hold an edit
	edited          bitRow // of each frame
}

// at reports whether a frame holds an edit.
func (z *zeroRuns) at(i int) bool { return z.edited.at(i) }

// Bands of four sections and of one, as a hopPowers numbers them.
const (
	audibleBand, thumpBand, sibilanceBand = 0, 1, 2
	pauseBand, brightBand, voiceBand      = 0, 1, 2
)

// newFrameLevels reads the bands of speech as well if whole is true, else only those of noise.
func newFrameLevels(rate, channels int, whole bool) *frameLevels {
	fs, store := float64(rate), newTrackStore()
	high := func(hz float64) dsp.Biquad { return dsp.ButterworthHighPass(2, hz, fs)[0] }
	series, singles := [][]dsp.Biquad{audible(fs)}, []dsp.Biquad{high(PauseHighPassHz), high(min(brightHz, 0.2*fs))}
	if whole {
		series, singles = append(series, thump(fs), sibilance(fs)), append(singles, high(voiceHighPassHz))
	}
	return &frameLevels{
		store: store, powers: newHopPowers(rate, channels, series, singles), whole: whole,
		pause: store.tracks(channels), bright: store.tracks(channels), audible: store.tracks(channels), voices: store.tracks(channels),
		loudest: levelTrack{store: store}, zeros: make([]zeroRuns, channels),
		events: [2]levelTrack{{store: store}, {store: store}},
	}
}

// audible is a high-pass that keeps the audible range: −64 dB at 8 Hz, −3 dB at 20 Hz.
// Of noise that falls by 6 dB per octave it passes 0.03 dB more than an ideal
// high-pass.
func audible(rate float64) []dsp.Biquad { return dsp.ButterworthHighPass(8, audibleHz, rate) }

// close removes the temporary files. An error means that one of them failed, and that
// the readings are incomplete.
func (l *frameLevels) close() error {
	err := l.store.close()
	if l.hum != nil {
		err = errors.Join(err, l.hum.close())
	}
	return err
}

// writes are the meters' Write functions, each with separate memory.
func (l *frameLevels) writes() []func(dsp.Block) {
	return []func(dsp.Block){
		func(b dsp.Block) { l.powers.write(b, l.endHop) },
		func(b dsp.Block) {
			for c := range b {
				l.zeros[c].write(b[c], l.powers.hop)
			}
		},
	}
}

// endHop adds the frames that a hop completes.
func (l *frameLevels) endHop() {
	p, before := &l.powers, &l.before
	before.pause = eachFrame(before.pause, p.single(pauseBand), l.pause)
	before.bright = eachFrame(before.bright, p.single(brightBand), l.bright)
	before.audible = eachFrame(before.audible, p.series(audibleBand), l.audible)
	if !l.whole {
		return
	}
	l.events[0].add(slices.Max(p.series(thumpBand)))
	l.events[1].add(slices.Max(p.series(sibilanceBand)))
	m := p.single(voiceBand)
	if before.voice != nil && len(m) > 1 {
		loudest := 0.0
		for c := range m {
			loudest = max(loudest, (before.voice[c]+m[c])/2)
		}
		l.loudest.add(loudest)
	}
	before.voice = eachFrame(before.voice, m, l.voices)
}

// voice is the voice of the loudest channel in each frame.
func (l *frameLevels) voice() *levelTrack {
	if len(l.voices) == 1 {
		return &l.voices[0]
	}
	return &l.loudest
}

// eachFrame adds the frames that a hop completes, and returns it for the next one.
func eachFrame(before, hop []float64, tracks []levelTrack) []float64 {
	if before != nil {
		for c := range hop {
			tracks[c].add((before[c] + hop[c]) / 2)
		}
	}
	return append(before[:0], hop...)
}

func (z *zeroRuns) write(x []float64, hop int) {
	least := max(2, hop*editMs/hopMs)
	for len(x) > 0 {
		part := x[:min(len(x), hop-z.filled)]
		z.take(part, least)
		if z.filled += len(part); z.filled == hop {
			z.endHop()
		}
		x = x[len(part):]
	}
}

// take looks for at least this many zeros in a row. Such a run contains one of any
// samples that are as far apart. Therefore only the surroundings of zeros among these are
// searched sample by sample.
func (z *zeroRuns) take(x []float64, least int) {
	for n := 0; n < len(x); {
		last := min(n+max(1, least-z.run), len(x)) - 1 // with it the run is long enough
		if x[last] != 0 {
			z.run, n = 0, last+1
			continue
		}
		begin := last
		for begin > n && x[begin-1] == 0 {
			begin--
		}
		if begin > n {
			z.run = 0
		}
		z.run += last + 1 - begin
		z.running = z.running || z.run >= least
		n = last + 1
	}
}

// endHop records whether the frame that ends with this hop contains an edit.
func (z *zeroRuns) endHop() {
	if i := z.hops - 1; i >= 0 {
		if i%64 == 0 {
			z.edited = append(z.edited, 0)
		}
		if z.before || z.running {
			z.edited.set(i)
		}
	}
	z.before, z.running, z.filled = z.running, false, 0
	z.hops++
}
