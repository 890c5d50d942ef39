package instrument

import (
	"fmt"
	"math"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/internal/spectra"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// Latency measures the latency of a device with an impulse. The latency of a response that
// rings before its middle as much as after it (linear phase, or a delay by a fraction of a
// frame) is its middle, to a hundredth of a frame. That of any other is its beginning, exact to
// the frame. Latency is not group delay: a high-pass delays low frequencies by milliseconds and
// has a latency of 0, because it responds at once.
//
// A stage that has settled on a loud sound may change a single impulse differently, but delays
// it by as much.
type Latency struct {
	Impulse stimulus.Impulse
}

// Stimulus is the impulse.
func (l Latency) Stimulus() stimulus.Signal { return l.Impulse }

const (
	// onsetDB is the level, relative to the largest sample, at which a response begins. A
	// filter's first sample may be small; a fraction of an LSB does not count.
	onsetDB = -100
	// An echo rises by echoRiseDB over the sound of the last echoQuietMs, which ringing does
	// not, and is at most echoLeastDB below the direct sound.
	// (common practice, no source)
	echoRiseDB  = 12
	echoQuietMs = 2
	echoLeastDB = -30
)

// Analyse reads latency_frames and latency_ms (to the first sample of the response, or to the
// middle of a symmetrical one), largest_sample_frames, echo_delay_frames, echo_level_db and
// polarity.
func (l Latency) Analyse(rate int, response Response) (measure.Readings, error) {
	at := l.Impulse.Frame(rate)
	return eachChannel(response, 0, max(at+1, response.Frames()), func(x []float64) measure.Readings {
		var r measure.Readings
		begin, reason := onset(x, at)
		peak := 0
		for n, v := range x {
			if math.Abs(v) > math.Abs(x[peak]) {
				peak = n
			}
		}
		late := measure.Reading{Reason: reason, Reference: "the impulse", Bound: "exact",
			Definition: fmt.Sprintf("first sample of the response that is more than %d dB of its largest", onsetDB)}
		frames := float64(begin - at)
		if reason == "" && peak-begin >= leastRinging {
			if middle, symmetrical := symmetry(x, peak, at); symmetrical {
				frames = middle - float64(at)
				late.Bound, late.Definition = "", "middle of the response, which is symmetrical (linear phase): it rings before its middle as after it"
			}
		}
		r.AddFrames("latency", frames, rate, late)
		r.AddFrames("largest_sample", float64(peak-at), rate, measure.Reading{Reason: reason, Reference: "the impulse", Definition: "largest |sample| of the response; a filter that spreads the impulse delays it beyond the latency"})
		addEcho(&r, x, peak, rate, reason)
		turned := reason
		if low, high := -slices.Min(x), slices.Max(x); turned == "" && min(low, high) > mostOpposed*max(low, high) {
			turned = noPolarity
		}
		r.Add("polarity", measure.Reading{Value: math.Copysign(1, x[peak]), Reason: turned, Reference: "+1: as played, -1: inverted", Definition: "sign of the largest sample of the response"})
		return r
	})
}

const (
	// leastRinging is the least number of frames between the first and the largest sample of a
	// response that rings before its middle.
	leastRinging = 2
	// leastSymmetry is the least share of a symmetrical response's energy that is equal on both
	// sides of its middle. A second-order Butterworth low-pass has 0.95. (a test checks both)
	leastSymmetry = 0.995
)

// symmetry is the middle of a response near its largest sample, between the frames, and whether
// the response is symmetrical about it. The response's convolution with itself is then largest
// at twice the middle, and equals the energy there. The energy of the noise, measured before
// the impulse, is subtracted.
func symmetry(x []float64, peak, impulse int) (frames float64, symmetrical bool) {
	if planes.FirstNonFinite(dsp.Block{x}) >= 0 {
		return 0, false
	}
	const half = 4096
	part := make([]float64, 4*half)
	energy, noise := 0.0, 0.0
	for n := range 2 * half {
		if k := peak - half + n; k >= 0 && k < len(x) {
			part[n] = x[k]
			energy += x[k] * x[k]
		}
	}
	for _, v := range x[:impulse] {
		noise += v * v / float64(impulse)
	}
	if energy -= 2 * half * noise; !(energy > 0) {
		return 0, false
	}
	fft := spectra.NewFFT(len(part))
	bins := fft.Coefficients(nil, part)
	for k := range bins {
		bins[k] *= bins[k]
	}
	twice := fft.Sequence(nil, slices.Clone(bins)) // scaled by its length
	most := 2 * half
	for n := 3 * half / 2; n < 5*half/2; n++ {
		if twice[n] > twice[most] {
			most = n
		}
	}
	at, value := 0.0, 0.0 // from half of the spectrum
	for _, beside := range []float64{-0.4, 0, 0.4} {
		if lag, v := spectra.Crest(bins, len(part), float64(most)+beside); v > value {
			at, value = lag, v
		}
	}
	return float64(peak-half) + at/2, 2*value/float64(len(part)) >= leastSymmetry*energy
}

// onset is where a response begins: the first sample that exceeds the noise before the impulse.
func onset(x []float64, impulse int) (frame int, reason string) {
	if n := planes.FirstNonFinite(dsp.Block{x}); n >= 0 {
		return 0, fmt.Sprintf("NaN or infinite sample at frame %d", n)
	}
	noise := 0.0
	for _, v := range x[:impulse] {
		noise = max(noise, math.Abs(v))
	}
	largest := max(slices.Max(x), -slices.Min(x))
	threshold := max(largest*dsp.DBToAmplitude(onsetDB), 2*noise)
	if largest == 0 {
		return 0, "silence"
	}
	if largest <= 10*noise {
		return 0, "undecided: the response to the impulse is less than 20 dB above the noise before it"
	}
	for n, v := range x {
		if math.Abs(v) > threshold {
			return n, ""
		}
	}
	return 0, "silence"
}

// addEcho adds the strongest arrival in an impulse response after the direct sound, which is at
// a frame.
func addEcho(r *measure.Readings, x []float64, direct, rate int, reason string) {
	quiet := dsp.Frames(echoQuietMs, rate)
	echo := 0
	if reason == "" {
		echo = echoIn(x, direct, quiet)
		if echo == 0 {
			reason = fmt.Sprintf("no echo: nothing rises %d dB over the %d ms before it and above %d dB of the direct sound", echoRiseDB, echoQuietMs, echoLeastDB)
		}
	}
	about := measure.Reading{Reason: reason, Reference: "the direct sound", Definition: "largest |sample| of the strongest later arrival"}
	r.AddFrames("echo_delay", float64(echo-direct), rate, about)
	level := 0.0
	if reason == "" {
		level = x[echo] / x[direct]
	}
	about.Unit = "dB"
	r.AddLevel("echo_level_db", level*level, about)
}

// echoIn is the frame of the strongest echo, 0 if there is none.
func echoIn(x []float64, direct, quiet int) int {
	least, echo := math.Abs(x[direct])*dsp.DBToAmplitude(echoLeastDB), 0
	rise := dsp.DBToAmplitude(echoRiseDB)
	for n := direct + quiet; n < len(x); n++ {
		v := math.Abs(x[n])
		if v < least {
			continue
		}
		// An echo takes some time to rise: the quiet ends a quarter before it.
		before := 0.0
		for _, w := range x[n-quiet+1 : n-quiet/4] {
			before = max(before, math.Abs(w))
		}
		if v >= before*rise {
			least, echo = v, n
		}
	}
	return echo
}

// CorrelationDelay measures a delay as the maximum of the band-limited correlation with the
// stimulus, between the frames. It needs less level than an impulse. For a dispersive device it
// is a mean of the group delays, which have readings of their own.
type CorrelationDelay struct {
	Sweep         stimulus.Swept
	LowHz, HighHz float64 // the band; 0 means 500 Hz and 16 kHz, within the sweep's band
}

// Stimulus is the sweep.
func (d CorrelationDelay) Stimulus() stimulus.Signal { return d.Sweep }

// Analyse reads correlation_delay_frames and _ms, echo_delay_frames,
// echo_level_db, and group_delay_at_100hz_ms, _1khz_ms and _10khz_ms.
func (d CorrelationDelay) Analyse(rate int, response Response) (measure.Readings, error) {
	sent, err := d.Sweep.Make(rate)
	if err != nil {
		return nil, err
	}
	from, to := d.Sweep.Band()
	low, high := d.LowHz, d.HighHz
	if low == 0 {
		low = max(500, 2*from)
	}
	if high == 0 {
		high = min(16000, to*0.8)
	}
	if !(low < high) {
		return nil, &dsp.SettingError{Setting: "low_hz", Found: spectra.HzText(low), Accepted: "less than high_hz, " + spectra.HzText(high)}
	}
	band := newDeconvolver(sent[0], rate, rate, bandWeight(low/2, low, high, min(high*1.2, to)))
	var all measure.Readings
	err = SweepResponse{Sweep: d.Sweep}.eachCurve(rate, response, func(c int, plane []float64, curve *FrequencyResponse) {
		var r measure.Readings
		ir := band.divide(plane)
		peak := ir.largest()
		reason := ""
		if ir.at(peak) == 0 {
			reason = "silence"
		}
		r.AddFrames("correlation_delay", ir.crest(peak), rate, measure.Reading{Reason: reason, Reference: "the stimulus", Bandwidth: spectra.HzText(low) + " to " + spectra.HzText(high),
			Definition: "largest |correlation| of the response with the stimulus, both whitened in the band, between the frames"})
		x, _ := ir.part(peak, rate/100, rate)
		addEcho(&r, x, rate/100, rate, reason)
		for _, hz := range []float64{100, 1000, 10000} {
			about := measure.Reading{Reason: reason, Unit: "ms", Definition: "group delay, -dφ/dω; a filter has it without latency"}
			if !curve.covers(hz) {
				about.Reason = spectra.HzText(hz) + " lies outside the band of the sweep"
			} else {
				about.Value = curve.DelayMs(hz)
				curve.addOpenDelay(&about, hz)
			}
			r.Add(fmt.Sprintf("group_delay_at_%s_ms", map[float64]string{100: "100hz", 1000: "1khz", 10000: "10khz"}[hz]), about)
		}
		all = append(all, ofChannel(r, c, response.Channels())...)
	})
	return all, err
}

// crest is the place of the largest value near a frame, between the frames.
func (r impulseResponse) crest(near int) float64 {
	const half = 256
	x, from := r.part(near, half, half)
	spectrum := spectra.NewFFT(2*half).Coefficients(nil, x)
	at, _ := spectra.Crest(spectrum, 2*half, half)
	return float64(from) + at
}

// RoundTrip joins the latencies of several runs, one list of readings each: round_trip_frames
// (their mean), round_trip_min_frames, round_trip_max_frames and round_trip_spread_frames
// (largest minus least), each also in ms. A spread of more than a frame shows a path whose
// latency changes from start to start.
func RoundTrip(runs []measure.Readings, rate int) measure.Readings {
	least, most, sum := math.Inf(1), math.Inf(-1), 0.0
	reason := ""
	for i, run := range runs {
		l, ok := run.Get("latency_frames")
		if !ok || !l.Measurable() {
			reason = fmt.Sprintf("run %d has no latency", i+1)
			break
		}
		least, most, sum = min(least, l.Value), max(most, l.Value), sum+l.Value
	}
	if len(runs) == 0 {
		reason = "no run"
	}
	var r measure.Readings
	about := measure.Reading{Reason: reason, Definition: fmt.Sprintf("of %d runs", len(runs))}
	r.AddFrames("round_trip", sum/float64(max(1, len(runs))), rate, about)
	r.AddFrames("round_trip_min", least, rate, about)
	r.AddFrames("round_trip_max", most, rate, about)
	if reason == "" && len(runs) < 2 {
		about.Reason = "one run has no spread; repeat it, five times for a start"
	}
	r.AddFrames("round_trip_spread", most-least, rate, about)
	return r
}
