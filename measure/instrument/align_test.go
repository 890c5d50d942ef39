package instrument

import (
	"errors"
	"math"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/measuretest"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// hardware is a simulated path from a player to a recorder. It is written from the definitions
// of its effects and shares no code with the instruments under test.
type hardware struct {
	delay, driftPPM   float64 // frames; the recorder's clock against the player's
	gainDB            float64
	inverted          bool
	humDBFS, noiseRMS float64 // 50 Hz, peak; white, dBFS rms
	cubic             float64 // y = x − cubic·x³
	couplingHz        float64 // first-order high-pass of capacitors
	tail              int     // frames recorded after the end
}

// record is the recorded sound. The wave between the player's samples is computed by a sinc of
// 200 taps under a four-term Blackman-Harris window (Harris, "On the use of windows", 1978), at
// the recorder's clock. All other effects work sample by sample.
func (h hardware) record(rate int, played []float64) []float64 {
	const half = 100
	speed := 1 + h.driftPPM*1e-6
	out := make([]float64, int(float64(len(played))*speed+h.delay)+h.tail)
	rng := rand.New(rand.NewPCG(5, 6))
	gain := math.Pow(10, h.gainDB/20)
	if h.inverted {
		gain = -gain
	}
	// Bilinear transform of s/(s+ω).
	k := math.Tan(math.Pi * h.couplingHz / float64(rate))
	var before, after float64
	for p := range out {
		at := (float64(p) - h.delay) / speed
		first := int(math.Floor(at)) - half + 1
		y := 0.0
		if whole := math.Round(at); at == whole {
			if whole >= 0 && int(whole) < len(played) {
				y = played[int(whole)] // the sinc is 1 here, 0 elsewhere
			}
			first = len(played)
		}
		for j := max(first, 0); j < min(first+2*half, len(played)); j++ {
			if t := at - float64(j); played[j] != 0 && math.Abs(t) < half {
				u := math.Pi * (t/half + 1)
				w := 0.35875 - 0.48829*math.Cos(u) + 0.14128*math.Cos(2*u) - 0.01168*math.Cos(3*u)
				if t != 0 {
					w *= math.Sin(math.Pi*t) / (math.Pi * t)
				}
				y += w * played[j]
			}
		}
		y *= gain
		y -= h.cubic * y * y * y
		if h.humDBFS != 0 {
			y += math.Pow(10, h.humDBFS/20) * math.Sin(2*math.Pi*50*float64(p)/float64(rate))
		}
		if h.noiseRMS != 0 {
			y += math.Pow(10, h.noiseRMS/20) * rng.NormFloat64()
		}
		out[p] = (y - before + (1-k)*after) / (1 + k)
		before, after = y, out[p]
		if h.couplingHz == 0 {
			out[p] = y
		}
	}
	return out
}

// writeWAV writes a file of integer samples with TPDF dither.
func writeWAV(t *testing.T, path string, rate, bits int, sound dsp.Block, chunks ...wave.Chunk) string {
	t.Helper()
	path = filepath.Join(t.TempDir(), path)
	w, err := wave.Create(path, wave.Format{Rate: rate, Channels: len(sound), Bits: bits}, wave.Options{Dither: wave.TPDF, Seed: 3, Chunks: chunks})
	if err == nil {
		err = w.Write(sound)
	}
	if err == nil {
		err = w.Commit()
	}
	if err != nil {
		t.Fatal(err)
	}
	return path
}

func openWAV(t *testing.T, path string) *wave.Reader {
	t.Helper()
	r, err := wave.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close() })
	return r
}

func made(t testing.TB, m stimulus.Marked) dsp.Block {
	t.Helper()
	b, _, err := m.Make()
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// A complete hardware path, from WAV files alone: a known delay, gain, drift, inverted
// polarity, hum, noise, soft clipping, coupling capacitors and a 16-bit converter.
func TestHardwarePathIsMeasured(t *testing.T) {
	dsptest.Exhaustive(t)
	const rate = 48000
	m := stimulus.Marked{Signal: stimulus.Sweep{FromHz: 10, ToHz: 22000, Seconds: 8, PeakDBFS: -20}, Rate: rate}
	sound := made(t, m)
	played := writeWAV(t, "played.wav", rate, 24, sound, wave.Chunk{ID: stimulus.ChunkID, Data: []byte(m.Identity())})
	stored, err := storeAll(openWAV(t, played))
	if err != nil {
		t.Fatal(err)
	}
	readBack, _ := stored.Plane(0) // in memory
	h := hardware{delay: 1234.37, driftPPM: 25, gainDB: -3.7, inverted: true, humDBFS: -70, noiseRMS: -80, cubic: 0.05, couplingHz: 3, tail: 5000}
	recording := writeWAV(t, "recording.wav", rate, 16, dsp.Block{h.record(rate, readBack)})

	a, err := AlignFiles(openWAV(t, played), openWAV(t, recording))
	if err != nil {
		t.Fatal(err)
	}
	// Noise of −80 dBFS under marks of −27 dBFS rms: the spread is 0.001 frames.
	// The capacitors' phase, atan(3 Hz/f), advances the mark by 0.01 frames.
	measuretest.WantReading(t, a.Readings, "latency_frames", 1234.37, 0.02)
	measuretest.WantReading(t, a.Readings, "latency_ms", 1234.37/48, 0.02/48)
	// The cubic term lowers the gain by 3/4·0.05·(0.065)² = 0.0014 dB; the noise changes it by
	// 0.001 dB.
	measuretest.WantReading(t, a.Readings, "gain_db", -3.7, 0.005)
	measuretest.WantReading(t, a.Readings, "polarity", -1, 0)
	// 0.002 frames over the 9.8 s between the marks.
	measuretest.WantReading(t, a.Readings, "drift_ppm", 25, 0.02)
	// Hum of −73.01 dBFS rms, noise of −80, dither of −96.3: powers add.
	measuretest.WantReading(t, a.Readings, "noise_dbfs", 10*math.Log10(math.Pow(10, -7.301)+math.Pow(10, -8)+math.Pow(10, -9.63)), 0.1)
	if len(a.Findings) == 0 || !strings.Contains(a.Findings[0].What, "polarity inverted") {
		t.Errorf("inverted polarity is not reported: %v", a.Findings)
	}

	// The sound is aligned with the stimulus's frames: a sweep shows no delay, the path's gain,
	// and the capacitors' response, 1/(1 + 3 Hz/jf).
	response := SweepResponse{Sweep: m.Signal.(stimulus.Sweep), Declared: func(hz float64) complex128 {
		return complex(-math.Pow(10, -3.7/20), 0) / complex(1, -3/hz)
	}}
	r, err := response.Analyse(a.Rate, a.Sound)
	if err != nil {
		t.Fatal(err)
	}
	measuretest.WantReading(t, r, "gain_at_1khz_db", -3.7, 0.01)
	// The hum is part of the response at 50 Hz: 0.09 dB, and 0.22 dB with half the sweep. The
	// noise changes it by 0.05 dB at 19 kHz.
	measuretest.WantReading(t, r, "response_deviation_db", 0, 0.15)
	delay, err := CorrelationDelay{Sweep: response.Sweep}.Analyse(a.Rate, a.Sound)
	if err != nil {
		t.Fatal(err)
	}
	measuretest.WantReading(t, delay, "correlation_delay_frames", 0, 0.02)
}

// Each fault that voids a recording is reported by its own name.
func TestVoidRecordingsStateTheFault(t *testing.T) {
	const rate = 48000
	m := stimulus.Marked{Signal: stimulus.Tone{Hz: 997, PeakDBFS: -20, Seconds: 2}, Rate: rate}
	sound := made(t, m)[0]
	other := made(t, stimulus.Marked{Signal: stimulus.Tone{Hz: 998, PeakDBFS: -20, Seconds: 2}, Rate: rate})[0]
	path := func(h hardware) []float64 { h.tail += 4000; return h.record(rate, sound) }
	late := hardware{delay: 700, gainDB: -2}
	plus := func(a, b []float64) []float64 {
		out := append([]float64(nil), a...)
		for n := range min(len(a), len(b)) {
			out[n] += b[n]
		}
		return out
	}
	noise := func(dbfs float64, n int) []float64 {
		return hardware{noiseRMS: dbfs}.record(rate, make([]float64, n))
	}
	clipped := path(hardware{gainDB: 24})
	for n := range clipped {
		clipped[n] = max(-1, min(1, clipped[n]))
	}
	lost := path(late)
	lost = append(lost[:100000:100000], lost[100480:]...) // 10 ms
	_, layout, _ := m.Make()
	drowned := path(late)
	for n, v := range noise(-3, stimulus.CodeBits*layout.Symbol) {
		drowned[700+layout.Code+n] += v
	}
	withNaN := path(late)
	withNaN[1234] = math.NaN()
	for name, c := range map[string]struct {
		x    func() []float64
		rate int
		why  Void
		says string
	}{
		"silence":            {func() []float64 { return make([]float64, 300000) }, rate, NotFound, "neither mark"},
		"nothing":            {func() []float64 { return nil }, rate, NotFound, "empty"},
		"noise":              {func() []float64 { return noise(-20, 300000) }, rate, NotFound, "neither mark"},
		"speech":             {func() []float64 { return dsptest.Speechlike(rate, 1, 400000, 1)[0] }, rate, NotFound, "neither mark"},
		"played at 44.1 kHz": {func() []float64 { return hardware{driftPPM: (44100.0/48000 - 1) * 1e6}.record(rate, sound) }, rate, WrongRate, "its sound has 44100 Hz"},
		"played at 96 kHz":   {func() []float64 { return hardware{driftPPM: 1e6, tail: 10}.record(rate, sound) }, rate, WrongRate, "its sound has 96000 Hz"},
		"pulled down":        {func() []float64 { return path(hardware{driftPPM: -999}) }, rate, WrongRate, "-999 ppm"},
		"header of 44.1 kHz": {func() []float64 { return path(late) }, 44100, WrongRate, "the recording has 44100 Hz, the stimulus 48000 Hz"},
		"samples lost":       {func() []float64 { return lost }, rate, FramesLost, "about 480 frames lost"},
		"clipped":            {func() []float64 { return clipped }, rate, Clipped, "full scale"},
		"too quiet":          {func() []float64 { return plus(path(hardware{gainDB: -30}), noise(-72, 400000)) }, rate, TooQuiet, "accepted: 20 dB or more"},
		"echo":               {func() []float64 { return plus(path(late), path(hardware{delay: 700 + 960, gainDB: -12})) }, rate, TwoArrivals, "-10.0 dB from the stronger arrival, a second one 20.00 ms after"},
		"monitoring":         {func() []float64 { return plus(path(late), path(hardware{delay: 100, gainDB: -12})) }, rate, TwoArrivals, "12.50 ms before"},
		"late echo": {func() []float64 {
			return plus(path(hardware{delay: 700, gainDB: -2, tail: 30000}), path(hardware{delay: 700 + 24000, gainDB: -20}))
		}, rate, TwoArrivals, "500.00 ms after"},
		"other version": {func() []float64 { return other }, rate, OtherVersion, "record this stimulus"},
		"no end":        {func() []float64 { return path(late)[:200000] }, rate, CutShort, "after the signal"},
		"no start":      {func() []float64 { return path(late)[40000:] }, rate, CutShort, "before the signal"},
		"NaN":           {func() []float64 { return withNaN }, rate, NonFinite, "frame 1234"},
		"code drowned":  {func() []float64 { return drowned }, rate, Unreadable, "not readable"},
	} {
		if !dsptest.IsExhaustive() && (c.why == NotFound || c.why == WrongRate || name == "late echo" || name == "monitoring" || name == "no start") {
			continue // these searches are slow
		}
		_, err := Align(m, Recording{Sound: dsp.Block{c.x()}, Rate: c.rate, Bits: 16})
		var void *VoidError
		if !errors.As(err, &void) || void.Why != c.why || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, want %q with %q", name, err, c.why, c.says)
		}
	}
	// A recording that is unusual but usable is not void.
	for name, x := range map[string]func() []float64{
		"clean":                       func() []float64 { return path(late) },
		"played twice as loud":        func() []float64 { return path(hardware{gainDB: 6}) },
		"echo of −26 dB":              func() []float64 { return plus(path(late), path(hardware{delay: 1660, gainDB: -28})) },
		"noise 25 dB below the marks": func() []float64 { return plus(path(hardware{}), noise(-49, 400000)) },
		"recorded from 0.4 s on":      func() []float64 { return path(hardware{})[19000:] },
	} {
		if !dsptest.IsExhaustive() && name != "echo of −26 dB" {
			continue
		}
		if _, err := Align(m, Recording{Sound: dsp.Block{x()}, Rate: rate, Bits: 16}); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Two channels: each has its own readings, and the delay between them is kept.
func TestAlignTwoChannels(t *testing.T) {
	const rate = 44100
	m := stimulus.Marked{Signal: stimulus.Tone{Hz: 997, PeakDBFS: -20, Seconds: 1, Channels: 2}, Rate: rate}
	sound := made(t, m)
	left, right := hardware{delay: 100, tail: 1000}.record(rate, sound[0]), hardware{delay: 103, gainDB: -6, inverted: true, tail: 1000}.record(rate, sound[1])
	a, err := Align(m, Recording{Sound: dsp.Block{left, right[:len(left)]}, Rate: rate})
	if err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]float64{
		"latency_frames_ch1": 100, "latency_frames_ch2": 103, "gain_db_ch1": 0, "gain_db_ch2": -6, "polarity_ch1": 1, "polarity_ch2": -1, "drift_ppm_ch1": 0,
	} {
		measuretest.WantReading(t, a.Readings, name, want, 1e-3) // whole frames, no noise: the error of the silence around the marks
	}
	measuretest.WantReason(t, a.Readings, "mark_over_noise_db_ch1", "no noise")
	if len(a.Findings) != 2 || a.Findings[0].Channel != 1 || !finds(a.Findings, "it is 3.00 frames later than channel 1") {
		t.Errorf("findings %v, want the polarity and the delay of channel 2", a.Findings)
	}
	signal := measuretest.MakeSignal(t, m.Signal, rate)
	for n := 10; n < signal.Frames()-10; n++ {
		// Three frames later and 6 dB lower; 1e-6: the error of the interpolation between
		// frames.
		if l, r := a.Sound.(dsp.Block)[0][n], a.Sound.(dsp.Block)[1][n+3]; math.Abs(l-signal[0][n]) > 1e-6 || math.Abs(r+signal[1][n]*math.Pow(10, -0.3)) > 1e-6 {
			t.Fatalf("frame %d: %g and %g, played %g", n, l, r, signal[0][n])
		}
	}
	_, err = Align(m, Recording{Sound: dsp.Block{left, make([]float64, len(left))}, Rate: rate})
	var void *VoidError
	if !errors.As(err, &void) || void.Channel != 1 || void.Why != NotFound {
		t.Errorf("%v, want channel 2 not found", err)
	}
}

// A stimulus file is accepted only if it holds the sound of its identity.
func TestIdentityOfFileChecksTheSound(t *testing.T) {
	m := stimulus.Marked{Signal: stimulus.StandardImpulse(-20), Rate: 48000}
	sound := made(t, m)
	chunk := func(identity string) wave.Chunk {
		return wave.Chunk{ID: stimulus.ChunkID, Data: []byte(identity)}
	}
	changed := made(t, m)
	changed[0][100000] += 1e-4
	louder := stimulus.Marked{Signal: stimulus.StandardImpulse(-19), Rate: 48000}
	for name, c := range map[string]struct {
		path, says string
	}{
		"whole":            {writeWAV(t, "whole.wav", 48000, 24, sound, chunk(m.Identity())), ""},
		"16 bits":          {writeWAV(t, "whole.wav", 48000, 16, sound, chunk(m.Identity())), ""},
		"no chunk":         {writeWAV(t, "bare.wav", 48000, 24, sound), `bare.wav is no stimulus: it has no chunk "bbst"`},
		"a word":           {writeWAV(t, "word.wav", 48000, 24, sound, chunk("hello")), "word.wav: stimulus identity"},
		"changed":          {writeWAV(t, "changed.wav", 48000, 24, changed, chunk(m.Identity())), "frame 100000 of channel 1"},
		"another identity": {writeWAV(t, "louder.wav", 48000, 24, sound, chunk(louder.Identity())), "the file was changed"},
		"another rate":     {writeWAV(t, "rate.wav", 44100, 24, sound, chunk(m.Identity())), "found 1 channel of"},
	} {
		got, err := IdentityOf(openWAV(t, c.path))
		switch {
		case c.says == "" && (err != nil || got.Code() != m.Code()):
			t.Errorf("%s: %v", name, err)
		case c.says != "" && (err == nil || !strings.Contains(err.Error(), c.says)):
			t.Errorf("%s: %v, want %q", name, err, c.says)
		}
	}
	if _, err := AlignFiles(openWAV(t, writeWAV(t, "a.wav", 48000, 24, sound, chunk(m.Identity()))), openWAV(t, writeWAV(t, "b.wav", 48000, 24, dsp.NewBlock(1, 48000)))); err == nil || !strings.Contains(err.Error(), "b.wav: void: channel 1: stimulus not found") {
		t.Errorf("a silent recording: %v", err)
	}
}

// Aligns one minute and reads its response, on one core. The metric is the speed relative to
// real time.
func BenchmarkAlignAndResponse(b *testing.B) {
	const rate = 48000
	sweep := stimulus.Sweep{FromHz: 5, ToHz: 22000, Seconds: 56.4, PeakDBFS: -20}
	m := stimulus.Marked{Signal: sweep, Rate: rate}
	sound := made(b, m)
	for b.Loop() {
		a, err := Align(m, Recording{Sound: sound, Rate: rate})
		if err == nil {
			_, err = SweepResponse{Sweep: sweep}.Analyse(rate, a.Sound)
		}
		if err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(sound.Frames())/rate*float64(b.N)/b.Elapsed().Seconds(), "x-real-time")
}

// The marks are found with every signal between them, and nothing else is taken for marks:
// every kind, loud sweeps through the marks' own band, and other rates.
func TestEveryStimulusIsFound(t *testing.T) {
	dsptest.Exhaustive(t)
	type played struct {
		signal stimulus.Signal
		rate   int
	}
	var all []played
	for _, k := range stimulus.Kinds() {
		if !k.Bare {
			all = append(all, played{k.Default, 48000})
		}
	}
	for _, seconds := range []float64{0.25, 1, 3} {
		all = append(all, played{stimulus.Sweep{FromHz: 100, ToHz: 10000, Seconds: seconds, PeakDBFS: 0}, 48000})
	}
	for _, rate := range []int{8000, 22050, 44100, 192000} {
		all = append(all, played{stimulus.Silence{Seconds: 0.5}, rate})
	}
	if testing.Short() {
		all = all[len(all)-7:]
	}
	for _, p := range all {
		m := stimulus.Marked{Signal: p.signal, Rate: p.rate}
		recorded := make(dsp.Block, 0)
		for _, plane := range made(t, m) {
			recorded = append(recorded, append(make([]float64, 777), plane...))
		}
		a, err := Align(m, Recording{Sound: recorded, Rate: p.rate})
		if err != nil {
			t.Errorf("%s: %v", m.Identity(), err)
			continue
		}
		// There is no noise: the errors are rounding, and the 1e-5 ripple of 128 taps.
		of := func(name string) string { return ofChannel(measure.Readings{{Name: name}}, 0, len(recorded))[0].Name }
		measuretest.WantReading(t, a.Readings, of("latency_frames"), 777, 1e-5)
		measuretest.WantReading(t, a.Readings, of("drift_ppm"), 0, 1e-3)
		for n, want := range measuretest.MakeSignal(t, p.signal, p.rate)[0] {
			if math.Abs(a.Sound.(dsp.Block)[0][n]-want) > 2e-5 {
				t.Errorf("%s: frame %d is %g, played %g", m.Identity(), n, a.Sound.(dsp.Block)[0][n], want)
				break
			}
		}
	}
}
