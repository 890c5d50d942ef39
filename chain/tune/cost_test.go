package tune

import (
	"bytes"
	"context"
	"encoding/csv"
	"math"
	"slices"
	"strconv"
	"testing"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
)

// The stated cost is compared with the gain trace of a run of the solved chain, over the blocks
// that count for the loudness of its output. Tolerance 0.15 dB: the trace has the lowest gain
// of each ms, the forecast that of each 2/3 ms. And the long interpolator, which the forecast
// does not use, finds higher values at single peaks.
func TestStatedCostAgreesWithTheTrace(t *testing.T) {
	in := "../../testdata/harbour-street.wav"
	for _, text := range []string{limiterAlone, withCompressor} {
		for _, lufs := range []float64{-18, -14} {
			d, _, err := delivered(t, parsed(t, text), anything(lufs), in, Settings{})
			if err != nil {
				t.Fatal(err)
			}
			reductions := tracedReductions(t, d, in)
			at := func(share float64) float64 {
				return reductions[min(len(reductions)-1, int(math.Ceil(share*float64(len(reductions)))))]
			}
			over := 0
			for _, r := range reductions {
				if r > 3 {
					over++
				}
			}
			share := float64(over) / float64(len(reductions))
			if c := d.Cost; math.Abs(c.MedianDB-at(0.5)) > 0.15 || math.Abs(c.P95DB-at(0.95)) > 0.15 || math.Abs(c.MostDB-at(1)) > 0.5 || math.Abs(c.OverThreeDB-share) > 0.01 {
				t.Errorf("to %g LUFS: %+v stated; the trace has median %.2f, 95th percentile %.2f, most %.2f dB, over 3 dB for %.4f", lufs, c, at(0.5), at(0.95), at(1), share)
			}
		}
	}
}

// tracedReductions returns the limiter's reduction in dB, sorted, of every ms that counts for
// the loudness.
func tracedReductions(t *testing.T, d *Delivery, in string) []float64 {
	t.Helper()
	r, err := wave.Open(in)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	engine, err := d.Chain().Prepare(r.Format().Rate, r.Format().Channels)
	if err != nil {
		t.Fatal(err)
	}
	var trace bytes.Buffer
	sink := analysisSink{r.Format(), nil}
	l, err := measure.NewLoudness(measure.LoudnessSettings{Rate: r.Format().Rate, Channels: r.Format().Channels})
	if err != nil {
		t.Fatal(err)
	}
	sink.write = l.Write
	if _, err := engine.Run(context.Background(), r, sink, chain.Options{Trace: chain.NewTrace(&trace)}); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&trace).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	column := slices.Index(rows[0], "limiter ch1 gain_db")
	if column < 0 {
		t.Fatal(rows[0])
	}
	profile := l.Profile()
	counted := measure.CountedHops(profile)[0]
	var reductions []float64
	for _, row := range rows[1:] {
		frame, _ := strconv.ParseInt(row[0], 10, 64)
		gain, err := strconv.ParseFloat(row[column], 64)
		if err != nil {
			t.Fatal(err)
		}
		hop := 0
		for hop < len(counted) && profile.HopEnd(hop) <= frame {
			hop++
		}
		if hop < len(counted) && counted[hop] {
			reductions = append(reductions, -gain)
		}
	}
	slices.Sort(reductions)
	return reductions
}
