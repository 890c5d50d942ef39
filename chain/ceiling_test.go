package chain_test

import (
	"context"
	"fmt"
	"io"
	"path/filepath"
	"testing"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// written runs a sound through a chain into a file of a format, as the command
// does, and reads it back: what a player will see.
func written(t *testing.T, text string, in dsp.Block, rate, bits int, dither wave.DitherKind, workers int) dsp.Block {
	t.Helper()
	e := prepare(t, text, rate, len(in))
	f := wave.Format{Rate: rate, Channels: len(in), Encoding: wave.Integer, Bits: bits}
	q, err := wave.NewQuantiser(f, dither, 1)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "out.wav")
	w, err := wave.Create(path, f, wave.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer w.Abort()
	if _, err := e.Run(context.Background(), newSound(rate, in), w, chain.Options{Quantiser: q, Workers: workers}); err != nil {
		t.Fatal(err)
	}
	if err := w.Commit(); err != nil {
		t.Fatal(err)
	}
	if w.Overs().Count > 0 {
		t.Errorf("%d samples clamped", w.Overs().Count)
	}
	r, err := wave.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	out := dsp.NewBlock(len(in), int(r.Frames()))
	if n, err := r.Read(out); n != in.Frames() || err != nil && err != io.EOF {
		t.Fatalf("%d frames of %d, %v", n, in.Frames(), err)
	}
	return out
}

var overshootNames = []string{"overshoot_sample_db", "overshoot_annex2_db", "overshoot_fine_db"}

// overshootReadings are by how many dB a sound is over a ceiling. The meter's
// interpolators are its own.
func overshootReadings(t testing.TB, b dsp.Block, rate int, ceilingDBTP float64) measure.Readings {
	t.Helper()
	o, err := instrument.OvershootOfSound(t.Context(), func() (wave.Source, error) {
		return wave.NewMemory(wave.Unquantised(rate, len(b)), b), nil
	}, measure.OverSettings{CeilingDBTP: ceilingDBTP, MostEvents: 1})
	if err != nil {
		t.Fatal(err)
	}
	return o.Readings()
}

// The ceiling holds for the samples that a file holds: dithered, rounded, from
// the first frame to the last, where a filter ahead of the limiter would sound
// on, and down to a ceiling of a few steps of the format.
func TestWrittenSamplesHoldTheCeiling(t *testing.T) {
	const rate = 48000
	filtered := "[[stage]]\nkind = \"equaliser\"\n[[stage.band]]\nshape = \"bell\"\ncentre_hz = 12000\ngain_db = 24\nq = 30\n"
	for _, c := range []struct {
		bits        int
		dither      wave.DitherKind
		ceilingDBTP float64
	}{{16, wave.TPDF, -1}, {16, wave.NoDither, 0}, {16, wave.TPDF, -20}, {16, wave.TPDF, -60}, {24, wave.TPDF, -1}, {24, wave.NoDither, -60}} {
		moved := 0
		for _, number := range []int{4, 6, 8} { // fs/4, alternating runs, full level at both ends
			sound, err := stimulus.LimiterStress{Case: number, CeilingDBTP: c.ceilingDBTP, Channels: 2}.Make(rate)
			if err != nil {
				t.Fatal(err)
			}
			for c := range sound { // it ends in a burst
				sound[c] = sound[c][:12000]
			}
			limiter := fmt.Sprintf("[[stage]]\nkind = \"limiter\"\nceiling_dbtp = %g\n", c.ceilingDBTP)
			out := written(t, "schema = 1\n"+filtered+limiter, sound, rate, c.bits, c.dither, 2)
			readings := overshootReadings(t, out, rate, c.ceilingDBTP)
			for _, name := range overshootNames {
				if r, _ := readings.Get(name); !r.Measurable() || r.Value > 0 {
					t.Errorf("%d bits, dither %v, ceiling %g dBTP, case %d: %s %+.5f", c.bits, c.dither, c.ceilingDBTP, number, name, r.Value)
				}
			}
			// Where nothing had to be lowered, the file is the one of the causal
			// limiter, dither and all.
			plain := written(t, "schema = 1\n"+filtered+limiter+"verify = false\n", sound, rate, c.bits, c.dither, 1)
			for n := range out[0] {
				if out[0][n] != plain[0][n] {
					moved++
				}
			}
		}
		t.Logf("%d bits, dither %v, ceiling %g dBTP: %d samples lowered", c.bits, c.dither, c.ceilingDBTP, moved)
	}
}
