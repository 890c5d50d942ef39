package conversation

import (
	"encoding/json"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/measure/internal/timemap"
)

// The delay of a swaying head varies by 2 ms from peak to peak, too much for a figure: it is
// missing, with the reason. Figures that are stated are within five standard errors.
func TestUncertainFiguresAreMissing(t *testing.T) {
	reasons := map[string]int{}
	for _, seed := range dsptest.Some(1, []uint64{4, 0, 2}) {
		s := newScene(t, 2, 30, seed)
		s.moves = 0.001 * float64(s.rate)
		for _, p := range measured(t, s.rate, s.sounds()).Paths {
			if p.BleedDB != nil || p.DelayFrames != nil || p.Inverted != nil {
				if *p.BleedDeviationDB > mostDeviationDB || math.Abs(*p.BleedDB-s.bleedDB[p.Voice][p.Microphone]) > 5**p.BleedDeviationDB {
					t.Errorf("seed %d: %s ± %.2f dB, want %.2f", seed, pathText(p), *p.BleedDeviationDB, s.bleedDB[p.Voice][p.Microphone])
				}
				continue
			}
			for _, reason := range []string{"the bleed is uncertain by more than 1 dB", "does not stay"} {
				if strings.HasPrefix(p.Reason, reason) || strings.Contains(p.Reason, reason) {
					reasons[reason]++
				}
			}
		}
	}
	if reasons["the bleed is uncertain by more than 1 dB"] == 0 {
		t.Errorf("no bleed is missing for its standard error: %v", reasons)
	}
}

// A delay whose standard error exceeds 0.25 ms is missing, while the bleed is stated. The
// offset and the length of the path, which follow from the delay, are missing too.
func TestUncertainDelayIsMissing(t *testing.T) {
	const rate = 16000
	for _, known := range []float64{3.9, 4.1} { // 0.25 ms are 4 frames
		w := way{Map: timemap.Map{Speed: 1}, measured: true, bleed: 0.01, bleedDeviation: 0.05, delay: 40, delayDeviation: known}
		sure := w
		sure.delayDeviation = 0.01
		m := &measurement{rate: rate, mics: []*levels{{}, {}}, ways: [][]way{{{}, w}, {sure, {}}}}
		p, pair := w.path(0, 1, rate), m.pair(0, 1)
		c := Conversation{Rate: rate, Microphones: []OfOne{{Name: "a"}, {Name: "b"}}, Paths: []Path{p}, Pairs: []Pair{pair}}
		missing := known > 4
		if p.BleedDB == nil || (p.DelayFrames == nil) != missing || (p.DelayDeviationFrames == nil) != missing || strings.Contains(p.Reason, "uncertain by more than 0.25 ms") != missing {
			t.Errorf("± %g frames: %+v", known, p)
		}
		if (pair.OffsetFrames == nil) != missing || (pair.PathFrames == nil) != missing || pair.DriftPPM == nil {
			t.Errorf("± %g frames: %+v", known, pair)
		}
		if strings.Contains(c.Text(), "bleed -20.0 ± 0.4 dB, the delay is uncertain by more than 0.25 ms") != missing {
			t.Errorf("± %g frames: %s", known, c.Text())
		}
	}
}

// A voice that speaks for only a few seconds has a delay, but no drift can be measured. The
// drift is missing, with the reason, and JSON holds the other readings.
func TestUnknownDriftIsMissing(t *testing.T) {
	const rate = 16000
	w := way{Map: timemap.Map{Speed: 1}, measured: true, bleed: 0.01, bleedDeviation: 0.05, delay: 40, delayDeviation: 0.01, driftDeviation: math.Inf(1)}
	m := &measurement{rate: rate, mics: []*levels{{}, {}}, ways: [][]way{{{}, w}, {w, {}}}}
	p := m.pair(0, 1)
	if p.DriftPPM != nil || p.DriftDeviationPPM != nil || p.OffsetFrames == nil || p.Inverted == nil || !strings.HasPrefix(p.Reason, "the drift is undecided") {
		t.Errorf("%+v", p)
	}
	c := Conversation{Rate: rate, Microphones: []OfOne{{Name: "a"}, {Name: "b"}}, Pairs: []Pair{p}}
	if text, err := json.Marshal(c); err != nil {
		t.Error(string(text), err)
	}
	if !strings.Contains(c.Text(), "b against a: 0.00 frames (0.00 ms) later for a sound halfway between them; sound takes 2.50 ms from one to the other; the drift is undecided") {
		t.Error(c.Text())
	}
}

// An additional microphone that is silent, or ended at once, removes no reading of the others,
// at any position in the call and whenever the others' recorders were started.
func TestSilentMicrophoneChangesNoOtherReading(t *testing.T) {
	dsptest.Exhaustive(t)
	s := newScene(t, 2, 30, 0)
	s.offset[1] = 1.5 * float64(s.rate)
	sounds := s.sounds()
	want := measured(t, s.rate, sounds)
	for _, frames := range []int{len(sounds[0]), s.rate / 20} {
		for at := range dsptest.Some(1, []int{0, 1, 2}) {
			got := measured(t, s.rate, slices.Insert(slices.Clone(sounds), at, make([]float64, frames)))
			got.Microphones = slices.Delete(got.Microphones, at, at+1)
			for i, m := range got.Microphones {
				if m.LoudnessLUFS == nil || math.Abs(*m.LoudnessLUFS-*want.Microphones[i].LoudnessLUFS) > 0.01 {
					t.Errorf("a silence of %d frames at %d: microphone %d: %+v", frames, at, i, m)
				}
			}
			var paths []Path
			for _, p := range got.Paths {
				if p.Voice != at && p.Microphone != at {
					paths = append(paths, p)
				}
			}
			for k, p := range paths {
				if p.BleedDB == nil || p.DelayFrames == nil || math.Abs(*p.BleedDB-*want.Paths[k].BleedDB) > 0.05 || math.Abs(*p.DelayFrames-*want.Paths[k].DelayFrames) > 0.01 {
					t.Errorf("a silence of %d frames at %d: %s; want %s", frames, at, pathText(p), pathText(want.Paths[k]))
				}
			}
		}
	}
}
