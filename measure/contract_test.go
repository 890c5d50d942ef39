package measure

import (
	"fmt"
	"io"
	"math"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
)

// odd is a source of a format of its own that returns what a test sets.
type odd struct {
	format wave.Format
	frames int
	err    error
}

func (o odd) Format() wave.Format           { return o.format }
func (o odd) Read(b dsp.Block) (int, error) { return o.frames, o.err }

// Calls that cannot be answered have an error, or panic, in words: no index, no wait for ever,
// no number that means nothing.
func TestImpossibleCallsFailInWords(t *testing.T) {
	stereo := wave.Unquantised(48000, 2)
	block := func(o odd) error { return EachBlock(t.Context(), o, func(dsp.Block) {}) }
	in := func(l Level, u LevelUnit) error { _, err := l.In(u, nil); return err }
	load := func(ohm complex128) error { _, _, err := LoadResponse(0, []ImpedancePoint{{1000, ohm}}); return err }
	for _, c := range []struct {
		says string
		err  error
	}{
		{"no frames and no error 100 times", block(odd{stereo, 0, nil})},
		{"the source returned -3 frames", block(odd{stereo, -3, io.EOF})},
		{"accepted: 0 to ", block(odd{stereo, 1 << 30, nil})},
		{"found 0 channels", block(odd{wave.Unquantised(48000, 0), 0, io.EOF})},
		{"found 1000 channels", block(odd{wave.Unquantised(48000, 1000), 0, io.EOF})},
		{"found a sample rate of 1000000000 Hz", block(odd{wave.Unquantised(1e9, 1), 0, io.EOF})},
		{`found the unit "x"`, in(Level{1, DBU}, "x")},
		{`found the unit ""`, in(Level{}, DBU)},
		{"accepted: a finite level", in(Level{math.NaN(), Volts}, DBU)},
		{"accepted: a finite level", in(Level{math.Inf(-1), DBU}, DBV)},
		{"accepted: finite impedances", load(0)},
		{"accepted: finite impedances", load(complex(math.NaN(), 0))},
		{"row 2 of the table has 3 values; accepted: 2", Table{Columns: []string{"a", "b"}, Rows: [][]float64{{1, 2}, {1, 2, 3}}}.WriteCSV(io.Discard)},
		{"row 1 of the table has 1 value; accepted: 2", Table{Columns: []string{"a", "b"}, Rows: [][]float64{{1}}}.WriteCSV(io.Discard)},
	} {
		if c.err == nil || !strings.Contains(c.err.Error(), c.says) {
			t.Errorf("error %v; want one that says %q", c.err, c.says)
		}
	}
	loudness, err := NewLoudness(LoudnessSettings{Rate: 48000, Channels: 1})
	if err != nil {
		t.Fatal(err)
	}
	for says, do := range map[string]func(){
		"cells of 0 frames":                           func() { loudness.TapCells(0, func([]float64) {}) },
		"a function: false":                           func() { loudness.TapCells(100, nil) },
		"one of NewEnvelope":                          func() { (&Envelope{}).Write(dsp.NewBlock(1, 10)) },
		"Envelope.Write: found 5 frames in channel 2": func() { NewEnvelope(10).Write(dsp.Block{make([]float64, 9), make([]float64, 5)}) },
	} {
		func() {
			defer func() {
				if p := fmt.Sprint(recover()); !strings.Contains(p, says) {
					t.Errorf("panic %q; want one that says %q", p, says)
				}
			}()
			do()
		}()
	}
	if got := TimeCode(17, 0); got != "frame 17" {
		t.Errorf("a frame without a rate is %q", got)
	}
	if flat, none := ThermalNoise(150, 20, 20_000, nil), ThermalNoise(150, 20, 20_000, func(float64) float64 { return 1 }); flat != none {
		t.Errorf("thermal noise of %g V without a weighting, want %g", flat, none)
	}
}
