package dsp

import (
	"math"
	"slices"
	"testing"
)

// A full-scale sine reads 0 dBFS on the peak detector and −3.01 on the RMS
// detector; a square wave reads 0 on both.
func TestDetectorScales(t *testing.T) {
	const rate = 48000
	for _, v := range []struct {
		kind DetectorKind
		x    []float64
		want float64
	}{
		{Peak, sine(1, 997, rate, rate), 0}, {RMS, sine(1, 997, rate, rate), -3.0103},
		{Peak, square(1, rate, rate), 0}, {RMS, square(1, rate, rate), 0},
	} {
		d := newDetector(v.kind, 20, nil, true, rate, 1)
		for from := 0; from < rate; from += cell {
			d.run(Block{v.x}, from, from+cell, nil)
		}
		if got := d.decibels(d.levels[0][0].level); math.Abs(got-v.want) > 0.001 {
			t.Errorf("detector %d reads %.4f dBFS, want %.4f", v.kind, got, v.want)
		}
	}
}

func TestSidechainHighPassIsInTheDetectorOnly(t *testing.T) {
	const rate = 48000
	s := CompressorSettings{ThresholdDBFS: -30, Ratio: 4, AttackMs: 1, ReleaseMs: 50, Detector: Peak, DetectorWindowMs: 20}
	rumble := sine(0.5, 30, rate, rate)
	if g := gainsOf(mustCompressor(t, s, rate, 1), rumble)[rate-1]; g > -15 {
		t.Errorf("without side chain: gain %.2f dB on rumble", g)
	}
	s.SidechainHighPassHz = 200
	c := mustCompressor(t, s, rate, 1)
	// 12 dB/oct, 2.74 octaves under the corner: −33 dB.
	if g := gainsOf(c, rumble)[rate-1]; g < -2 {
		t.Errorf("with side chain: gain %.2f dB on rumble", g)
	}
	c.Reset()
	x := sine(0.01, 30, rate, rate) // under the threshold either way
	c.Process(Block{x})
	if want := sine(0.01, 30, rate, rate); !slices.Equal(x, want) {
		t.Error("the side chain's filter is in the output")
	}
}
