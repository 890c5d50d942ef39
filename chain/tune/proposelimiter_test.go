package tune

import (
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
)

// The limiter of a proposal takes 1 dB at most in 99.5 % of the active sound, by a run of the
// chain, in nine recordings of ten; in the others 2 dB. The prediction uses sample peaks, in
// excerpts of a minute: the peaks between the samples at 8 kHz, and the rest of a longer take,
// are what it does not know. (12 recordings: 11 within 1 dB, the worst 1.33 dB.) The stated
// share is that of the run: within 0.0005, since notches change the level of what is active.
func TestProposedLimiterTakesADecibelAtMost(t *testing.T) {
	const shortTake = 3 // s: one word may be more than 0.5 % of a shorter one
	files, _ := filepath.Glob("/usr/share/codec2/wav/ve9qrp.wav")
	if dsptest.IsExhaustive() {
		files, _ = filepath.Glob("/usr/share/codec2/wav/*.wav")
	}
	for _, f := range speech(t) {
		if !slices.Contains(files, f) {
			files = append(files, f)
		}
	}
	over, read := 0, 0
	for _, f := range files {
		if r, err := wave.Open(f); err != nil {
			if os.IsNotExist(err) {
				t.Fatal(err)
			}
			continue // one of the recordings is coded by mu-law
		} else if r.Close(); r.Frames() < shortTake*int64(r.Format().Rate) {
			continue
		}
		open := func() (wave.Source, error) { return wave.Open(f) }
		p, err := Propose(t.Context(), []Take{{f, open}}, ProposeSettings{})
		if err != nil {
			t.Fatal(err)
		}
		a, err := analyseTake(t.Context(), f, open, func(s wave.Source) wave.Source { return s }, false)
		if err != nil {
			t.Fatal(err)
		}
		e, err := p.Chain.Prepare(a.format.Rate, a.format.Channels)
		if err != nil {
			t.Fatal(err)
		}
		src, err := open()
		if err != nil {
			t.Fatal(err)
		}
		var gains []float64 // the lowest of each millisecond
		g := chain.NewGains(0)
		plan := e.Plan()
		g.Each = func(stage int, name string, _ int, lowest []float64) {
			if plan[stage].Kind == "limiter" && name == plan[stage].Name {
				gains = append(gains, slices.Min(lowest))
			}
		}
		meters, err := newOutputMeters(a)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := e.Run(t.Context(), src, meters, chain.Options{Gains: g}); err != nil {
			t.Fatal(err)
		}
		var active []float64
		reduced := 0
		for ms, v := range a.tracks.level {
			if k := int(a.tracks.start(ms)) / dsp.Frames(1, a.format.Rate); v > a.active.over && k < len(gains) {
				if active = append(active, gains[k]); gains[k] < dsp.DBToAmplitude(-1) {
					reduced++
				}
			}
		}
		if len(active) == 0 {
			continue
		}
		slices.Sort(active)
		took := -dsp.AmplitudeToDB(active[len(active)/200])
		t.Logf("%s: %.2f dB", f, took)
		read++
		if took > 1 {
			over++
		}
		if took > 2 {
			t.Errorf("%s: the limiter takes %.2f dB in 0.5 %% of the active sound", f, took)
		}
		if stated, is := p.Takes[0].LimiterOver, float64(reduced)/float64(len(active)); math.Abs(stated-is) > 0.0005 {
			t.Errorf("%s: stated to take more than 1 dB in %.3f %%, takes it in %.3f %%", f, 100*stated, 100*is)
		}
	}
	if over > max(1, read/8) {
		t.Errorf("in %d of %d recordings it takes more than 1 dB", over, read)
	}
}
