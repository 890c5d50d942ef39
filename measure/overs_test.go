package measure

import (
	"fmt"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
)

func oversOf(t testing.TB, ceilingDBTP float64, b dsp.Block) (*Overs, []Over) {
	t.Helper()
	o, err := NewOvers(OverSettings{Rate: 48000, Channels: len(b), CeilingDBTP: ceilingDBTP})
	if err != nil {
		t.Fatal(err)
	}
	o.Write(b)
	events, count := o.Events()
	if int(count) != len(events) {
		t.Fatalf("%d events counted, %d kept", count, len(events))
	}
	return o, events
}

func decibels(amplitude float64) float64 { return 20 * math.Log10(amplitude) }

// A sine of fs/q whose samples straddle its crests peaks 20·log10 1/cos(π/q) over
// them: 3.0103 dB at fs/4, 1.2494 at fs/6, 0.6877 at fs/8 (closed form; EBU Tech
// 3341 v4, signals 16 to 18). With the samples at the ceiling that is the over.
func TestOverBetweenSamples(t *testing.T) {
	for q, over := range map[float64]float64{4: 3.0103, 6: 1.2494, 8: 0.6877} {
		x := make([]float64, 9600)
		largest := 0.0
		for n := range x {
			x[n] = 0.5 * math.Sin(2*math.Pi*(float64(n)+0.5)/q+math.Pi/2)
			x[n] *= math.Pow(math.Sin(math.Pi*(float64(n)+.5)/9600), 2) // an abrupt end is no sine
			largest = max(largest, math.Abs(x[n]))
		}
		_, events := oversOf(t, decibels(largest)+1e-9, dsp.Block{x})
		if len(events) != 1 {
			t.Fatalf("fs/%g: %d events, want one", q, len(events))
		}
		e := events[0]
		// 0.005 dB: the bound of the fine reading. The samples of the largest crest
		// lie under it by what the envelope does.
		if got := decibels(e.Fine / largest); math.Abs(got-over) > 0.005 || math.Abs(decibels(e.Sample/largest)) > 0.001 {
			t.Errorf("fs/%g: %.4f dB over by the fine reading, %.4f by samples; want %.4f and 0", q, got, decibels(e.Sample/largest), over)
		}
		// Annex 2 reads fs/4 0.2205 dB high, fs/6 0.2244 low and fs/8 0.0257 high
		// at its places of 3/8 (computed from its table), 1/8 of a frame off the crest.
		if got := decibels(e.Annex2 / largest); math.Abs(got-over) > 0.4 {
			t.Errorf("fs/%g: %.4f dB over by Annex 2; want about %.4f", q, got, over)
		}
	}
}

// A sample of twice the ceiling stands over it while sinc(t) > 1/2, to 0.603
// frames on either side (closed form): in two frames. Annex 2 reads it 0.2452 dB
// low (its largest tap, 7964/8192).
func TestOverOfAnImpulse(t *testing.T) {
	b := dsp.NewBlock(2, 3000)
	b[1][1234] = -0.5
	o, events := oversOf(t, decibels(0.25), b)
	want := []Over{{Frame: 1233, Frames: 2, Above: 2, Channel: 1, Sample: 0.5, Annex2: 0.5, Fine: 0.5, FirstWindow: true}}
	if !slices.Equal(events, want) {
		t.Errorf("%+v, want %+v", events, want)
	}
	r := o.Readings()
	if got := value(t, r, "time_over_ceiling_ms"); math.Abs(got-2/48.0) > 1e-12 {
		t.Errorf("%g ms over, want 2 frames", got)
	}
	if got := value(t, r, "first_window_overshoot_db"); math.Abs(got-decibels(2)) > 1e-9 {
		t.Errorf("first window %g dB over, want %g", got, decibels(2))
	}
}

// A sine of amplitude 2 crests over 1 for acos(1/2)·2/ω = a third of its half
// period, 2/3 of it (closed form). Between crests of 17 Hz lie 9.8 ms, which makes
// one event of them; of 15 Hz, 11.1 ms, which makes 15 of them in half a second.
func TestOversWithin10msAreOneEvent(t *testing.T) {
	for hz, want := range map[float64]int{1000: 1, 50: 1, 17: 1, 15: 15} {
		x := make([]float64, 24000)
		for n := range x {
			x[n] = 2 * math.Sin(2*math.Pi*hz*float64(n)/48000)
		}
		o, events := oversOf(t, 0, dsp.Block{x})
		if len(events) != want {
			t.Errorf("%g Hz: %d events, want %d", hz, len(events), want)
		}
		above := value(t, o.Readings(), "time_over_ceiling_ms") / 500
		// A frame more on either side of each crest, and what rings at the ends.
		if off := 2.5 * 2 * hz / 48000; math.Abs(above-2.0/3) > off {
			t.Errorf("%g Hz: over for %.4f of the time, want 2/3", hz, above)
		}
	}
}

// Two overs 10 ms apart are two events, and one frame less than that makes one.
func TestOversMerge(t *testing.T) {
	for apart, want := range map[int]int{480: 1, 481: 2} { // frames: the first goes on behind its sample, the second begins ahead of it
		x := make([]float64, 4000)
		x[1000], x[1000+apart] = 1, 1
		if _, events := oversOf(t, decibels(0.5), dsp.Block{x}); len(events) != want {
			t.Errorf("%d frames apart: %d events, want %d", apart, len(events), want)
		}
	}
}

// A sound that is loud at its first frame and its last rings outside of it, and
// its overs still lie in it.
func TestOversAtTheEnds(t *testing.T) {
	x := make([]float64, 1000)
	x[0], x[999] = 1, -1
	_, events := oversOf(t, decibels(0.5), dsp.Block{x})
	// Each stands over half of itself from 0.6 frames before it to 0.6 after it.
	want := []Over{
		{Frame: 0, Frames: 1, Above: 1, Sample: 1, Annex2: 1, Fine: 1, FirstWindow: true},
		{Frame: 998, Frames: 2, Above: 2, Sample: 1, Annex2: 1, Fine: 1},
	}
	if !slices.Equal(events, want) {
		t.Errorf("%+v, want %+v", events, want)
	}
}

// First windows follow 100 ms of silence, or the beginning.
func TestFirstWindowsFollowSilence(t *testing.T) {
	x := make([]float64, 48000)
	add := func(from int, frames int, late float64) {
		for n := range frames {
			x[from+n] = 0.5
			if n > 700 { // later than 10 ms
				x[from+n] = late
			}
		}
	}
	add(0, 1000, 0.9)
	add(9000, 1000, 0.9)  // after more than 100 ms: a first window
	add(12000, 2000, 0.5) // after less: none
	x[12100] = 0.99
	o, events := oversOf(t, decibels(0.8), dsp.Block{x})
	// A step rings: between its first two samples the wave, a sum of sincs, is
	// 1/2 + 2/π = 1.137 of it half-way (closed form), and a little more beside that.
	crest := 0.0
	for at := 0.3; at < 0.7; at += 0.001 {
		sum := 0.0
		for n := range 10000 {
			sum += math.Sin(math.Pi*(at-float64(n))) / (math.Pi * (at - float64(n)))
		}
		crest = max(crest, sum)
	}
	want := decibels(0.5 * crest / 0.8)
	if got := value(t, o.Readings(), "first_window_overshoot_db"); math.Abs(got-want) > 0.02 {
		t.Errorf("first window %.4f dB over, want %.4f", got, want)
	}
	for _, e := range events {
		if e.FirstWindow {
			t.Errorf("%+v lies in no first window", e)
		}
	}
}

// A run of alternating samples rings ahead of its first: half a frame before it the
// wave is 2/π·(1 + 1/3 + 1/5 + …) of a sample (closed form), over 1.7 of it after 30
// terms, of which the fine reading sees most. It belongs to the first window, in
// which nothing else is that large.
func TestRingingAheadBelongsToTheFirstWindow(t *testing.T) {
	x := make([]float64, 12000)
	for n := 6000; n < len(x); n++ {
		x[n] = 0.5 - float64(n%2)
	}
	o, _ := oversOf(t, decibels(0.5), dsp.Block{x})
	if got := value(t, o.Readings(), "first_window_overshoot_db"); got < decibels(1.7) {
		t.Errorf("first window %.2f dB over, want %.2f or more", got, decibels(1.7))
	}
}

// Leaving out what cannot be over, and the way in which the sound is cut, change
// nothing, to the bit.
func TestOversSkipAndBlocks(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 9))
	seen := 0
	for name, x := range map[string][]float64{"noise": make([]float64, 6000), "speech": programmeForBench("speech-like")[0][:12000], "signs": make([]float64, 3000)} {
		for n := range x {
			switch name {
			case "noise":
				x[n] = math.Exp(-float64(n%2000)/300) * (2*rng.Float64() - 1)
			case "signs":
				x[n] = float64(2*rng.IntN(2) - 1)
			}
		}
		y := slices.Clone(x)
		for n := range y {
			y[n] *= 0.7
		}
		for _, ceilingDBTP := range dsptest.Some(2, []float64{-3, 3, -1, -9, 9}) {
			report := func(skip bool, most int, cut func() int) string {
				o, err := NewOvers(OverSettings{Rate: 48000, Channels: 2, CeilingDBTP: ceilingDBTP, MostEvents: most})
				if err != nil {
					t.Fatal(err)
				}
				o.skip = skip
				for from := 0; from < len(x); {
					to := min(len(x), from+cut())
					o.Write(dsp.Block{x[from:to], y[from:to]})
					from = to
				}
				o.Events() // asking changes nothing
				events, count := o.Events()
				seen += len(events)
				return fmt.Sprintf("%v %d %v", events, count, o.Readings())
			}
			for _, most := range []int{3, 100} {
				whole := report(true, most, func() int { return len(x) })
				if without := report(false, most, func() int { return len(x) }); without != whole {
					t.Errorf("%s, %g dBTP: %s, without skipping %s", name, ceilingDBTP, whole, without)
				}
				if cut := report(true, most, func() int { return 1 + rng.IntN(300) }); cut != whole {
					t.Errorf("%s, %g dBTP: %s, in blocks %s", name, ceilingDBTP, whole, cut)
				}
			}
		}
	}
	if seen < 100 && dsptest.IsExhaustive() || seen < 10 {
		t.Errorf("%d events in all: too few for a test", seen)
	}
}

// The worst are kept, in order of time; all are counted.
func TestWorstOversAreKept(t *testing.T) {
	x := make([]float64, 100*1000)
	for k := range 100 {
		x[k*1000+500] = 0.6 + 0.001*float64((k*37)%100)
	}
	o, err := NewOvers(OverSettings{Rate: 48000, Channels: 1, CeilingDBTP: decibels(0.5), MostEvents: 5})
	if err != nil {
		t.Fatal(err)
	}
	o.Write(dsp.Block{x})
	events, count := o.Events()
	if count != 100 || len(events) != 5 || !slices.IsSortedFunc(events, Over.earlierThan) {
		t.Fatalf("%d events, %d kept: %+v", count, len(events), events)
	}
	for _, e := range events {
		if e.Sample < 0.6945 {
			t.Errorf("kept %+v, which is not one of the five largest", e)
		}
	}
}

// What cannot be listed says why.
func TestOversOfOddSounds(t *testing.T) {
	bad := make([]float64, 5000)
	bad[2000], bad[2001] = 3, math.NaN()
	huge := []float64{1e308, -1e308, 1e308}
	for reason, x := range map[string][]float64{tooLarge: huge, "NaN or infinite sample at frame 2001": bad, "no sound: 0 frames": nil} {
		o, err := NewOvers(OverSettings{Rate: 48000, Channels: 1, CeilingDBTP: -1})
		if err != nil {
			t.Fatal(err)
		}
		o.Write(dsp.Block{x})
		if events, count := o.Events(); len(events) > 0 || count > 0 {
			t.Errorf("%s: %d events", reason, count)
		}
		for _, r := range o.Readings() {
			if r.Reason != reason {
				t.Errorf("%s: %q, want %q", r.Name, r.Reason, reason)
			}
		}
		if r, _ := truePeakOf(t, 48000, dsp.Block{x}).Get("true_peak_fine_dbtp"); r.Reason != reason {
			t.Errorf("true_peak_fine_dbtp: %q, want %q", r.Reason, reason)
		}
	}
	o, events := oversOf(t, -1, dsp.NewBlock(2, 100))
	if r, _ := o.Readings().Get("first_window_overshoot_db"); len(events) > 0 || r.Reason != "silence" {
		t.Errorf("silence: %v, %d events", r, len(events))
	}
	if _, err := NewOvers(OverSettings{Rate: 48000, Channels: 1, CeilingDBTP: math.NaN()}); err == nil || !strings.Contains(err.Error(), "accepted") {
		t.Errorf("a ceiling of NaN: %v", err)
	}
}
