package tune

import (
	"context"
	"errors"
	"io"
	"path/filepath"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
)

// measuring is a deliverer that measures another sound than the written one.
func measuring(other func(t testing.TB, d *delivery, w *wave.Writer) (*wave.Reader, error)) deliverer {
	return func(t testing.TB, c *chain.Chain, target Target, in string, s Settings) (*Delivery, measure.Readings, error) {
		t.Helper()
		s.Workers = 1
		return deliveredBy(t, func(jobs []Job) (*Delivery, error) {
			d := newDelivery(context.Background(), c, target, jobs, s)
			d.reopen = func(w *wave.Writer) (*wave.Reader, error) { return other(t, d, w) }
			return d.deliver()
		}, in)
	}
}

// aheadOfTheQuantiser returns the written sound as it was before dither and rounding.
func aheadOfTheQuantiser(t testing.TB, d *delivery, w *wave.Writer) (*wave.Reader, error) {
	t.Helper()
	written, err := w.Reopen()
	if err != nil {
		return nil, err
	}
	defer written.Close()
	in, err := wave.Open(d.jobs[0].In)
	if err != nil {
		return nil, err
	}
	defer in.Close()
	engine, err := d.solution.Chain().Prepare(in.Format().Rate, in.Format().Channels)
	if err != nil {
		return nil, err
	}
	out := filepath.Join(t.TempDir(), "ahead.wav")
	exact, _, err := engine.Render(d.ctx, in, out, chain.Output{Float: true, Bits: 64}, wave.Options{}, chain.Options{Workers: 1})
	if err != nil {
		return nil, err
	}
	if err := exact.Commit(); err != nil {
		return nil, err
	}
	return wave.Open(out)
}

// louder returns the written sound raised by db, like the reading of a meter that is db too
// high.
func louder(db float64) func(testing.TB, *delivery, *wave.Writer) (*wave.Reader, error) {
	return func(t testing.TB, _ *delivery, w *wave.Writer) (*wave.Reader, error) {
		t.Helper()
		written, err := w.Reopen()
		if err != nil {
			return nil, err
		}
		defer written.Close()
		b := dsp.NewBlock(written.Format().Channels, int(written.Frames()))
		if n, err := written.Read(b); n != b.Frames() || err != nil && !errors.Is(err, io.EOF) {
			t.Fatal(n, err)
		}
		for _, plane := range b {
			for n := range plane {
				plane[n] *= dsp.DBToAmplitude(db)
			}
		}
		return wave.Open(written24(t, written.Format().Rate, b))
	}
}

// The checks of deliveries fail where the delivered file was measured wrongly. A measurement
// ahead of the dither shows in the stated loudness. A meter that reads 0.1 LU too low is
// detected by a second meter.
func TestChecksOfDeliveriesCanFail(t *testing.T) {
	rate, b := talk(t, -30)
	if err := checkDeliverFormats(t, measuring(aheadOfTheQuantiser), written24(t, rate, b), []float64{-60}, []uint64{1}); err == nil || !strings.Contains(err.Error(), "Bits:16") || !strings.Contains(err.Error(), "to -60 LUFS") {
		t.Errorf("measured ahead of the dither: %v", err)
	}
	reference := ebur128(t)
	err := checkDeliverSpeech(t, reference, measuring(louder(-0.1)), []string{"../../testdata/harbour-street.wav"}, -23, -16)
	if err == nil || reference != nil && strings.Count(err.Error(), "by libebur128") != 4 {
		t.Errorf("a meter that is 0.1 LU off: %v", err)
	}
}
