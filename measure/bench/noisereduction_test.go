package bench

import (
	"context"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/instrument"
)

// noisyDevice has noise, hum, distortion and steps of an integer scale, with or without dither.
// With bands, it lowers every band of a Fourier transform that is near its noise.
type noisyDevice struct {
	noise, second, third, hum, gain float64
	bits                            int
	dither                          bool
	bands                           int // length of the transform in frames; 0: no noise reduction
	floor                           float64
	seed                            uint64
}

func (d noisyDevice) Respond(_ context.Context, in wave.Source, out wave.Sink) error {
	b := dsp.NewBlock(1, int(in.(*wave.Memory).Frames()))
	if _, err := in.Read(b); err != nil {
		return err
	}
	random := rand.New(rand.NewPCG(d.seed, 8))
	x, step := b[0], math.Ldexp(1, 1-d.bits)
	for n, v := range x {
		x[n] = d.gain*(v+d.second*v*v+d.third*v*v*v) + d.noise*random.NormFloat64() + d.hum*math.Sin(2*math.Pi*50*float64(n)/48000)
	}
	if d.bands > 0 {
		x = d.reduced(x)
	}
	for n, v := range x {
		if d.dither {
			v += step * (random.Float64() - random.Float64())
		}
		x[n] = math.Round(v/step) * step
	}
	return out.Write(dsp.Block{x})
}

// reduced multiplies each line of a transform by floor unless it is 14 dB above the noise.
func (d noisyDevice) reduced(x []float64) []float64 {
	fft, hop := fourier.NewFFT(d.bands), d.bands/4
	out, part := make([]float64, len(x)), make([]float64, d.bands)
	window := make([]float64, d.bands)
	for n := range window { // four overlapping squares of it sum to 1.5
		window[n] = 0.5 - 0.5*math.Cos(2*math.Pi*float64(n)/float64(d.bands))
	}
	least := 5 * d.noise * math.Sqrt(3.0/8*float64(d.bands))
	var lines []complex128
	for at := 1 - d.bands; at < len(x); at += hop {
		for n := range part {
			part[n] = 0
			if k := at + n; k >= 0 && k < len(x) {
				part[n] = window[n] * x[k]
			}
		}
		lines = fft.Coefficients(lines, part)
		for k, v := range lines {
			if cmplx.Abs(v) < least {
				lines[k] *= complex(d.floor, 0)
			}
		}
		for n, v := range fft.Sequence(part, lines) {
			if k := at + n; k >= 0 && k < len(x) {
				out[k] += window[n] * v / 1.5 / float64(d.bands)
			}
		}
	}
	return out
}

// A device that removes its noise has a finding, by the noise beside the tone of −60 dBFS and by
// the gain of quiet tones, and its readings of noise do not count. A processor, which may be
// meant to do so, has none, and neither has any device that is honest about its noise: with
// hum, distortion, 14 to 24 bits with dither or without, and noise up to -70 dBFS.
func TestNoiseReductionIsFoundByNoiseAndGain(t *testing.T) {
	plan := func(kind, tests string) *Plan {
		return planOf(t, "schema = 1\ndevice = \"A\"\n[[path]]\nname = \"line\"\nkind = \""+kind+"\"\nlevel_dbfs = -6\ntests = ["+tests+"]\n")
	}
	const short, all = `"dynamic-range"`, `"dynamic-range", "idle-noise", "linearity"`
	honest, wanted := 1, short
	reducing := noisyDevice{noise: 1.8e-4, gain: 1, bits: 24, dither: true, bands: 4096, floor: 0.01}
	if dsptest.IsExhaustive() {
		honest, wanted = 30, all
	}
	check := func(kind string, d noisyDevice, phrases ...string) {
		t.Helper()
		s, err := Run(t.Context(), plan(kind, wanted), func(Condition) (instrument.Device, error) { return d, nil }, func(string, int, int) {})
		if err != nil {
			t.Fatal(err)
		}
		if len(s.Void)+len(s.Missing) > 0 {
			t.Errorf("%+v: void %v, missing %v", d, s.Void, s.Missing)
		}
		for _, phrase := range phrases {
			if !slices.ContainsFunc(s.Findings, func(l Lack) bool {
				return strings.Contains(l.What, phrase) && strings.HasSuffix(l.What, "noise and dynamic range are those of the processing")
			}) {
				t.Errorf("%+v: no finding with %q: %v", d, phrase, s.Findings)
			}
		}
		if len(phrases) == 0 && slices.ContainsFunc(s.Findings, func(l Lack) bool { return strings.Contains(l.What, "of the processing") }) {
			t.Errorf("%s %+v: %v", kind, d, s.Findings)
		}
		for _, r := range s.Rows {
			if (r.Contradicted != "") != (len(phrases) > 0) && (strings.HasPrefix(r.Reading, "dynamic_range_") || r.Contradicted != "" && !strings.Contains(r.Contradicted, "muted in silence")) {
				t.Errorf("%+v: %s is contradicted by %q", d, r.Reading, r.Contradicted)
			}
		}
	}
	phrases := []string{"close to the tone of -60 dBFS there is noise, 3"}
	if dsptest.IsExhaustive() {
		phrases = append(phrases, "the gain depends on the level: ")
		finer := reducing
		finer.noise, finer.bands, finer.floor = 1e-4, 8192, 0.001
		check("loopback", finer, "close to the tone of -60 dBFS there is noise, 5", "the gain depends on the level: ")
		check("processor", reducing)
	}
	check("loopback", reducing, phrases...)
	// As loud as the tone, the marks would be too close to this noise.
	check("loopback", noisyDevice{noise: reducing.noise, gain: 1, bits: 24, dither: true})
	random := rand.New(rand.NewPCG(12, 60))
	uniform := func(from, to float64) float64 { return from + (to-from)*random.Float64() }
	for n := range honest {
		d := noisyDevice{noise: dsp.DBToAmplitude(uniform(-125, -70)), gain: dsp.DBToAmplitude(uniform(-6, 4)), bits: []int{24, 16, 20, 14}[random.IntN(4)], dither: random.IntN(2) == 1, seed: uint64(n)}
		if random.IntN(2) == 1 {
			d.second, d.third = dsp.DBToAmplitude(uniform(-100, -40)), dsp.DBToAmplitude(uniform(-100, -40))
		}
		if random.IntN(2) == 1 {
			d.hum = dsp.DBToAmplitude(uniform(-110, -70))
		}
		if random.IntN(8) == 0 {
			d.noise = 0
		}
		check("loopback", d)
	}
}
