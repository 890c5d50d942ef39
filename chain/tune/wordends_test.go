package tune

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"testing"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/dsptest/takes"
	"github.com/boothbench/boothbench/dsp/wave"
)

// trueWords returns where the clean speech of a room is audible, in ms: where its level over 20
// ms exceeds the mean of the noise, both above 150 Hz, with gaps under 100 ms joined.
func trueWords(room takes.Room) (all []word) {
	side := func(x []float64) []float64 {
		y := dsp.Block{slices.Clone(x)}
		dsp.NewCascade(dsp.ButterworthHighPass(2, sideChainHz, float64(room.Rate)), 1).Process(y)
		return y[0]
	}
	noise, _ := meanSquareOf(side(room.Noise))
	speech := side(room.Speech)
	half := room.Rate / 100
	sums := make([]float64, len(speech)+1)
	for n, v := range speech {
		sums[n+1] = sums[n] + v*v
	}
	for ms := 0; ms*room.Rate/1000 < len(speech); ms++ {
		n := ms * room.Rate / 1000
		from, to := max(0, n-half), min(len(speech), n+half)
		if (sums[to]-sums[from])/float64(to-from) < noise {
			continue
		}
		all = withSpeechAt(all, ms)
	}
	return all
}

// expanderGain is the gain of an expander for each frame of a mono sound.
func expanderGain(t testing.TB, x []float64, rate int, s dsp.ExpanderSettings) []float64 {
	t.Helper()
	e, err := dsp.NewExpander(s, rate, 1)
	if err != nil {
		t.Fatal(err)
	}
	y := append(slices.Clone(x), make([]float64, e.Latency())...)
	gain := make([]float64, len(y))
	e.ProcessTraced(dsp.Block{y}, dsp.Block{gain})
	return gain[e.Latency():]
}

// trueCuts counts the audible words of a room of at least so many milliseconds, and those of
// them whose start or end an expander cuts, by the same bounds as Damage, from the gains of its
// run on the whole take.
func trueCuts(t testing.TB, room takes.Room, x []float64, s dsp.ExpanderSettings, leastMs int) (words, ends, starts int) {
	t.Helper()
	gain := expanderGain(t, x, room.Rate, s)
	lowered := func(from, to int) (ms int) {
		for k := from; k < to; k++ {
			if n := k * room.Rate / 1000; n < len(gain) && gain[n] < 0.708 {
				ms++
			}
		}
		return ms
	}
	for _, w := range trueWords(room) {
		if w.to-w.from < leastMs {
			continue
		}
		words++
		if lowered(max(w.from, w.to-150), w.to) >= 20 {
			ends++
		}
		if lowered(w.from, min(w.to, w.from+50)) >= 10 {
			starts++
		}
	}
	return words, ends, starts
}

// The stated damage of a proposal agrees with the gain trace of a run of its chain, to the word
// and to the millisecond.
func TestStatedDamageIsThatOfTheTrace(t *testing.T) {
	cut := 0
	for _, seed := range dsptest.Some(1, []uint64{0, 1, 2, 3, 4, 5, 6, 7}) {
		room := takes.NewRoom(takes.Spoken(t, takes.Readings), []string{"pink", "white"}[seed%2], 14+2*float64(seed), 0.2, 20, 40+seed)
		x, rate := room.Take(), room.Rate
		if seed%2 == 0 {
			rate = 22050 // a millisecond is not a whole number of frames
		}
		// The threshold is too high, so that there is damage.
		p := proposed(t, rate, ProposeSettings{Keep: map[string]string{"expander.threshold_dbfs": fmt.Sprint(math.Round(room.SpeechDBFS - 6)), "expander.ratio": "4"}}, x)
		e, err := p.Chain.Prepare(rate, 1)
		if err != nil {
			t.Fatal(err)
		}
		var trace bytes.Buffer
		sink := analysisSink{wave.Unquantised(rate, 1), func(dsp.Block) {}}
		if _, err := e.Run(t.Context(), wave.NewMemory(wave.Unquantised(rate, 1), dsp.Block{x}), sink, chain.Options{Trace: chain.NewTrace(&trace)}); err != nil {
			t.Fatal(err)
		}
		rows, err := csv.NewReader(&trace).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		column := slices.Index(rows[0], "expander ch1 gain_db")
		if column < 0 {
			t.Fatal(rows[0])
		}
		a := analysed(t, rate, x)
		words, ends, starts, lowered, total := 0, 0, 0, 0, 0
		under := func(from, to int, db float64) (ms int) {
			for k := max(0, from); k < to; k++ {
				if gain, err := strconv.ParseFloat(rows[1+int(a.tracks.start(k))/dsp.Frames(1, rate)][column], 64); err != nil {
					t.Fatal(err)
				} else if gain < db {
					ms++
				}
			}
			return ms
		}
		for _, w := range wordsOf(a) {
			words++
			total += w.to - w.from
			lowered += under(w.from, w.to, -1)
			if under(max(w.from, w.to-150), w.to, -3) >= 20 {
				ends++
			}
			if under(w.from, min(w.to, w.from+50), -3) >= 10 {
				starts++
			}
		}
		d := p.Takes[0]
		t.Logf("%d words, %d ends and %d starts cut, %d of %d ms lowered", words, ends, starts, lowered, total)
		// The trace rounds its gains to thousandths of a dB, so one or two milliseconds may
		// fall on the other side of 1 dB.
		if d.Phrases != words || d.EndsCut != ends || d.StartsCut != starts || math.Abs(d.Lowered*float64(total)-float64(lowered)) > 2 {
			t.Errorf("stated: %d words, %d ends and %d starts cut, %.4f lowered; traced: %d, %d, %d, %.4f", d.Phrases, d.EndsCut, d.StartsCut, d.Lowered, words, ends, starts, float64(lowered)/float64(total))
		}
		if lowered == 0 {
			t.Error("nothing is lowered: the case tests little")
		}
		cut += ends + starts
	}
	if cut == 0 {
		t.Error("nothing is cut: the cases test little")
	}
}

func wordsOf(a *takeAnalysis) []word { return a.phrases() }

// In random rooms, with disturbances and at random levels, a proposed expander cuts no more
// ends and starts of words than stated, measured with the clean speech, which the proposal does
// not receive.
func TestWordEndsAgainstCleanSpeech(t *testing.T) {
	cases, seconds := 3, 15.0
	if dsptest.IsExhaustive() {
		cases, seconds = 30, 30
	}
	readings := takes.Spoken(t, takes.Readings)
	voices := []takes.Phrases{readings}
	if dsptest.IsExhaustive() {
		voices = append(voices, takes.Spoken(t, takes.SpokenNames))
	}
	words, ends, starts, saidEnds, saidStarts, off := 0, 0, 0, 0, 0, 0
	endsOfLong, startsOfLong := 0, 0 // without fragments
	for i := range cases {
		rng := rand.New(rand.NewPCG(uint64(i), 79))
		room := takes.NewRoom(voices[i%len(voices)], []string{"white", "pink", "room"}[rng.IntN(3)], 12+20*rng.Float64(), 0.08+0.17*rng.Float64(), seconds, uint64(900+i))
		gain := math.Pow(10, (-15+20*rng.Float64())/20)
		for n := range room.Speech {
			room.Speech[n] *= gain
			room.Noise[n] *= gain
		}
		x := room.Take()
		if kind := takes.Disturbances[rng.IntN(len(takes.Disturbances))]; rng.IntN(3) > 0 {
			takes.Add(x, takes.Disturbance(kind, room.Rate, room.SpeechDBFS+20*math.Log10(gain)-12*rng.Float64(), rng.Uint64()), room.Pauses[rng.IntN(len(room.Pauses))][0])
		}
		p := proposed(t, room.Rate, ProposeSettings{}, x)
		s, on := expanderOf(t, p)
		if !on {
			off++
			continue
		}
		w, e, b := trueCuts(t, room, x, s, 0)
		_, longEnds, longStarts := trueCuts(t, room, x, s, window)
		d := p.Takes[0]
		t.Logf("case %d: of %d words %d ends and %d starts cut, without fragments %d and %d; stated %d and %d of %d; range %.1f dB", i, w, e, b, longEnds, longStarts, d.EndsCut, d.StartsCut, d.Phrases, s.RangeDB)
		// The statement is exact for the words detectable in the take (see
		// TestStatedDamageIsThatOfTheTrace). A fragment shorter than the detector's window, as
		// loud as the noise, is not distinct from the noise. Nor is the softest part of a word
		// that rises slowly. In 30 takes that accounted for at most one end of a take and two
		// starts.
		if longEnds > d.EndsCut+1 || longStarts > d.StartsCut+2 {
			t.Errorf("case %d: %d ends and %d starts are cut, %d and %d were stated", i, longEnds, longStarts, d.EndsCut, d.StartsCut)
		}
		words, ends, starts, saidEnds, saidStarts = words+w, ends+e, starts+b, saidEnds+d.EndsCut, saidStarts+d.StartsCut
		endsOfLong, startsOfLong = endsOfLong+longEnds, startsOfLong+longStarts
	}
	t.Logf("%d words: %d ends and %d starts cut; stated %d and %d; %d of %d off", words, ends, starts, saidEnds, saidStarts, off, cases)
	// Over all takes the difference evens out, to one word in two hundred. In no case may more
	// than 1 % of the ends and 3 % of the starts be lost.
	few := max(1, words/200)
	if endsOfLong > saidEnds+few || startsOfLong > saidStarts+few || ends > max(1, words/100) || starts > max(3, 3*words/100) {
		t.Errorf("%d words: %d ends and %d starts cut; stated %d and %d", words, ends, starts, saidEnds, saidStarts)
	}
}
