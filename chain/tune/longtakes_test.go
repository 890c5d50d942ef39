package tune

import (
	"io"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/dsptest/takes"
	"github.com/boothbench/boothbench/dsp/wave"
)

// loopedSound is a sound that is played again and again, without a copy of it.
type loopedSound struct {
	rate, at, frames int
	sound            []float64
}

func (r *loopedSound) Format() wave.Format { return wave.Unquantised(r.rate, 1) }

func (r *loopedSound) Read(b dsp.Block) (int, error) {
	n := 0
	for n < b.Frames() && r.at < r.frames {
		from := r.at % len(r.sound)
		copied := copy(b[0][n:min(b.Frames(), n+r.frames-r.at)], r.sound[from:])
		n, r.at = n+copied, r.at+copied
	}
	if r.at == r.frames {
		return n, io.EOF
	}
	return n, nil
}

// A long take gets the settings of its half minute, which is repeated in it: what is read in a
// part of a long take is compared with that part. Tolerances: values of the compressor and the
// limiter are read in excerpts of a minute at most, 1 dB; corners have steps of 5 Hz; the rest
// is read in the whole take, 0.5 dB. Notches
// and bands do not count: more pauses show softer lines, and the spectrum of a longer take is
// more that of its sound.
func TestLongTakesAreProposedAsShortOnes(t *testing.T) {
	minutes, rooms := []float64{13}, 1
	if dsptest.IsExhaustive() {
		minutes = []float64{1, 2, 5, 13, 60, 120, 150}
		rooms = 3
	}
	for k := range rooms {
		takes.ForgetNoises()
		room := softRoom(t, 1+4*k) // of one voice each
		x := room.Take()
		of := func(minutes float64) *ProposedChain {
			p, err := Propose(t.Context(), []Take{{"take", func() (wave.Source, error) {
				return &loopedSound{rate: room.Rate, frames: int(minutes * 60 * float64(room.Rate)), sound: x}, nil
			}}}, ProposeSettings{PredictOnly: true})
			if err != nil {
				t.Fatal(err)
			}
			return p
		}
		short := of(0.5)
		for _, m := range minutes {
			long := of(m)
			for _, note := range long.Notes {
				if !(m > 120 && strings.Contains(note, "longer than 2 hours")) && !strings.Contains(strings.Join(short.Notes, " "), note) {
					t.Errorf("room %d, %g minutes: %s", k, m, note)
				}
			}
			stages := func(p *ProposedChain) []chain.Stage {
				return slices.DeleteFunc(slices.Clone(p.Chain.Stages), func(s chain.Stage) bool { return s.Kind == "equaliser" })
			}
			before := stages(short)
			for s, stage := range stages(long) {
				if s >= len(before) || stage.Kind != before[s].Kind || stage.Enabled != before[s].Enabled {
					t.Fatalf("room %d, %g minutes: off %v, of half a minute %v", k, m, long.Off(), short.Off())
				}
				switch is := stage.Settings.(type) {
				case dsp.HighPassSettings:
					if was := before[s].Settings.(dsp.HighPassSettings); math.Abs(is.CornerHz-was.CornerHz) > 5 {
						t.Errorf("room %d, %g minutes: high-pass at %g Hz, of half a minute %g", k, m, is.CornerHz, was.CornerHz)
					}
				case dsp.ExpanderSettings:
					if was := before[s].Settings.(dsp.ExpanderSettings); math.Abs(is.ThresholdDBFS-was.ThresholdDBFS) > 0.5 || math.Abs(is.RangeDB-was.RangeDB) > 0.5 {
						t.Errorf("room %d, %g minutes: expander %+v, of half a minute %+v", k, m, is, was)
					}
				case dsp.CompressorSettings:
					if was := before[s].Settings.(dsp.CompressorSettings); math.Abs(is.ThresholdDBFS-was.ThresholdDBFS) > 1 {
						t.Errorf("room %d, %g minutes: compressor at %g dBFS, of half a minute %g", k, m, is.ThresholdDBFS, was.ThresholdDBFS)
					}
				case dsp.LimiterSettings:
					if was := before[s].Settings.(dsp.LimiterSettings); math.Abs(is.DriveDB-was.DriveDB) > 1 {
						t.Errorf("room %d, %g minutes: drive %g dB, of half a minute %g", k, m, is.DriveDB, was.DriveDB)
					}
				}
			}
			is, was := long.Takes[0], short.Takes[0]
			if math.Abs(is.Lowered-was.Lowered) > 0.005 {
				t.Errorf("room %d, %g minutes: %.2f %% lowered, of half a minute %.2f", k, m, 100*is.Lowered, 100*was.Lowered)
			}
			for _, c := range long.Choices {
				for _, w := range short.Choices {
					if c.Stage == w.Stage && c.Key == w.Key && c.Confidence == Low && w.Confidence != Low {
						t.Errorf("room %d, %g minutes: confidence of %s.%s %s, of half a minute %s", k, m, c.Stage, c.Key, c.Confidence, w.Confidence)
					}
				}
			}
		}
	}
}
