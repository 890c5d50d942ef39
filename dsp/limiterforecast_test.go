package dsp_test

import (
	"math"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
)

// TestLimiterForecast compares the forecast with the limiter: by their gains'
// mean square over 100 ms, on which loudness depends, and by the lowest gain of
// all. The limiter as it runs is the reference.
func TestLimiterForecast(t *testing.T) {
	dsptest.Exhaustive(t)
	for _, rate := range []int{8000, 44100, 48000, 96000} {
		for _, style := range []dsp.Recovery{dsp.MediumRecovery, dsp.SlowRecovery, dsp.FastRecovery} {
			for _, drive := range []float64{-6, 6, 14} {
				s := dsp.LimiterSettings{CeilingDBTP: -1, DriveDB: drive, LookaheadMs: 3, Recovery: style, LinkChannels: true}
				x := dsptest.Speechlike(rate, 1, 4*rate, 3)
				worst, least, gain := forecastAgainstLimiter(t, s, rate, x)
				// 0.25 dB over 100 ms: a peak is placed to half a cell, and a cell is
				// a tenth of the shortest hold. The largest reduction: one sinc more.
				if worst > 0.25 || math.Abs(least-gain) > 0.35 {
					t.Errorf("%d Hz, %v, drive %g dB: off by up to %.3f dB in 100 ms, lowest gain %.3f dB for %.3f dB", rate, style, drive, worst, least, gain)
				}
			}
		}
	}
}

// forecastAgainstLimiter returns the largest difference over 100 ms in dB, and
// the lowest gains in dB: forecast and real.
func forecastAgainstLimiter(t *testing.T, s dsp.LimiterSettings, rate int, x dsp.Block) (worst, forecast, real float64) {
	l, err := dsp.NewLimiter(s, rate, 1)
	if err != nil {
		t.Fatal(err)
	}
	f, err := dsp.NewLimiterForecast(s, rate)
	if err != nil {
		t.Fatal(err)
	}
	cell, frames := dsp.ForecastCellFrames(rate), x.Frames()
	powers := make([]float64, frames/cell+1)
	annex2 := dsp.Annex2()
	padded := append(append(make([]float64, 5), x[0]...), make([]float64, 6)...)
	readings := make([]float64, frames)
	annex2.Peaks(padded, readings)
	lowest := 1.0
	for c := 0; c < len(powers)+f.Delay(); c++ {
		peak := 0.0
		for n := c * cell; n < min(frames, (c+1)*cell); n++ {
			peak = max(peak, math.Abs(x[0][n]), readings[n])
		}
		power, g := f.Next(dsp.AmplitudeToDB(peak))
		lowest = min(lowest, g)
		if at := c - f.Delay(); at >= 0 {
			powers[at] = power
		}
	}
	in := dsp.Block{append(append([]float64{}, x[0]...), make([]float64, l.Latency())...)}
	gain := dsp.NewBlock(1, in.Frames())
	l.ProcessTraced(in, gain)
	real = 1.0
	for hop := 0; hop+rate/10 <= frames-rate/10; hop += rate / 10 {
		sum, want := 0.0, 0.0
		for n := hop; n < hop+rate/10; n++ {
			g := gain[0][n+l.Latency()]
			want += g * g
			real = min(real, g)
			sum += powers[n/cell]
		}
		worst = max(worst, math.Abs(dsp.PowerToDB(sum/want)))
	}
	return worst, dsp.AmplitudeToDB(lowest), dsp.AmplitudeToDB(real)
}

// TestLimiterForecastSkips: cells skipped at rest give what cells taken one by
// one give.
func TestLimiterForecastSkips(t *testing.T) {
	s := dsp.LimiterSettings{LookaheadMs: 3, LinkChannels: true}
	var all [2][]float64
	for i := range all {
		f, err := dsp.NewLimiterForecast(s, 48000)
		if err != nil {
			t.Fatal(err)
		}
		for c := 0; c < 6000; c++ {
			if i == 1 && f.AtRest() && c%3000 > 10 && c%3000+64 < 3000 {
				f.Skip(64)
				for range 64 {
					all[i] = append(all[i], 1)
				}
				c += 63
				continue
			}
			peak := math.Inf(-1)
			if c%3000 < 10 {
				peak = 6
			}
			power, _ := f.Next(peak)
			all[i] = append(all[i], power)
		}
	}
	for c := range all[0] {
		if all[0][c] != all[1][c] {
			t.Fatalf("cell %d: %v skipped, %v one by one", c, all[1][c], all[0][c])
		}
	}
}
