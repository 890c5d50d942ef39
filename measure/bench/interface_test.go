package bench

import (
	"context"
	"math"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
)

// simulatedInterface is an interface of two channels with its own clock, a coupling capacitor,
// hum and crosstalk. It shares no code with the engine.
type simulatedInterface struct {
	gain      [2]float64
	inverted  bool
	latency   int
	ppm       float64 // by how much the recorder's clock runs fast
	cornerHz  float64 // of the high-pass of the coupling capacitor
	humPeak   float64 // of hum at 50 Hz
	crosstalk float64 // from channel 1 to channel 2, a factor
	back      float64 // crosstalk from channel 2 to channel 1, a factor
	noise     float64 // rms
	pole      float64 // colours the noise, y = x + pole·y'; 0: white
	bits      int
	rate      int
	seed      uint64
	clip      float64 // peak at which the analogue part clips; 0: nowhere
}

const (
	halfSinc   = 32
	sincPhases = 2048
)

// sincs are samples of a sinc under a squared cosine window, one row for each phase between two
// frames: exact to 1e-5 below a third of the rate.
var sincs = sync.OnceValue(func() (rows [sincPhases + 1][2 * halfSinc]float64) {
	for p := range rows {
		for k := range rows[p] {
			d := float64(p)/sincPhases + float64(halfSinc-1-k)
			w := math.Cos(math.Pi * d / (2 * halfSinc))
			rows[p][k] = w * w
			if d != 0 {
				rows[p][k] *= math.Sin(math.Pi*d) / (math.Pi * d)
			}
		}
	}
	return rows
})

// between returns the sound at a time between two frames.
func between(x []float64, at float64) float64 {
	whole := math.Floor(at)
	phase := (at - whole) * sincPhases
	p := int(phase)
	share := phase - float64(p)
	low, high := &rowsOfSinc[p], &rowsOfSinc[min(p+1, sincPhases)]
	first := int(whole) - halfSinc + 1
	sum := 0.0
	for k := range low {
		if n := first + k; n >= 0 && n < len(x) {
			sum += x[n] * ((1-share)*low[k] + share*high[k])
		}
	}
	return sum
}

var rowsOfSinc [sincPhases + 1][2 * halfSinc]float64

func (s simulatedInterface) Respond(_ context.Context, in wave.Source, out wave.Sink) error {
	frames := int(in.(*wave.Memory).Frames())
	sent := dsp.NewBlock(in.Format().Channels, frames)
	if _, err := in.Read(sent); err != nil {
		return err
	}
	rowsOfSinc = sincs()
	random := rand.New(rand.NewPCG(s.seed, 5))
	if len(sent) > 1 {
		for n := range sent[1] { // crosstalk comes ahead of the gains
			one, two := sent[0][n], sent[1][n]
			sent[1][n] += s.crosstalk * s.gain[0] / s.gain[1] * one
			sent[0][n] += s.back * s.gain[1] / s.gain[0] * two
		}
	}
	speed := 1 + s.ppm*1e-6
	response := dsp.NewBlock(len(sent), int(float64(frames)*speed)+s.latency)
	step := math.Ldexp(1, 1-s.bits)
	// Capacitor and resistor: the high-pass y' = x' − ωy, by the bilinear transform.
	w := math.Tan(math.Pi * s.cornerHz / float64(s.rate))
	for c := range sent {
		gain := s.gain[c]
		if s.inverted {
			gain = -gain
		}
		lastX, lastY, hiss := 0.0, 0.0, 0.0
		for n := range response[c] {
			at := float64(n-s.latency) / speed
			x := gain * between(sent[c], at)
			y := ((1-w)*lastY + x - lastX) / (1 + w)
			lastX, lastY = x, y
			if s.clip > 0 {
				y = max(-s.clip, min(s.clip, y))
			}
			hiss = s.pole*hiss + math.Sqrt(1-s.pole*s.pole)*s.noise*random.NormFloat64()
			y += s.humPeak*math.Sin(2*math.Pi*50*float64(n)/float64(s.rate)) + hiss
			response[c][n] = max(-1, min(1-step, math.Round(y/step+random.Float64()-random.Float64())*step))
		}
	}
	return out.Write(response)
}

const interfacePlan = `schema = 1
device = "A"
[[test]]
name = "tone"
stimulus = "kind=tone hz=997 peak_dbfs=-20 seconds=2.5 channels=2"
[[test]]
name = "one"
stimulus = "kind=tone hz=997 peak_dbfs=-20 seconds=2.5 channels=2 only=1"
[[test]]
name = "silence"
stimulus = "kind=silence seconds=4 channels=2"
[[test]]
name = "sweep"
stimulus = "kind=sweep from_hz=2 to_hz=20500 seconds=4 peak_dbfs=-20 channels=2"
[[path]]
name = "loop"
kind = "loopback"
channels = 2
rates_hz = [RATE]
together = true
tests = ["tone", "one", "silence", "sweep"]
`

// In at least 95 of 100 readings of random interfaces, at three rates and two word lengths, the
// planted value lies within the uncertainty that the sheet states.
func TestRandomInterfaces(t *testing.T) {
	dsptest.Exhaustive(t)
	// By default one device and tones only: sweeps and the other devices take minutes.
	devices, light := 1, true
	if dsptest.IsExhaustive() {
		devices, light = 20, false
	}
	random := rand.New(rand.NewPCG(11, 7))
	inside, all := 0, 0
	outside := map[string]int{}
	for n := range devices {
		rate := []int{48000, 44100, 96000}[n%3]
		p := planOf(t, strings.Replace(interfacePlan, "RATE", map[int]string{48000: "48000", 44100: "44100", 96000: "96000"}[rate], 1))
		if light {
			p.Paths[0].Tests = []string{"tone", "one"}
		}
		s := simulatedInterface{
			inverted: n%2 == 1, latency: random.IntN(3000), ppm: 50*random.Float64() - 25, rate: rate, seed: uint64(n),
			cornerHz: 8 + 12*random.Float64(), humPeak: dsp.DBToAmplitude(-70 - 20*random.Float64()), crosstalk: dsp.DBToAmplitude(-40 - 30*random.Float64()),
			noise: dsp.DBToAmplitude(-105 + 15*random.Float64()), bits: []int{24, 16}[n/3%2],
		}
		gain := dsp.DBToAmplitude(12*random.Float64() - 6)
		s.gain = [2]float64{gain, gain * dsp.DBToAmplitude(random.Float64()-0.5)}
		if s.bits == 16 && n%2 == 0 {
			s.ppm = 0
		}
		sheet := sheetOf(t, p, s)
		polarity := 1.0
		if s.inverted {
			polarity = -1
		}
		tone := -20 + dsp.AmplitudeToDB(gain) - 10*math.Log10(1+math.Pow(s.cornerHz/997, 2))
		at1k := dsp.AmplitudeToDB(gain) - 10*math.Log10(1+math.Pow(s.cornerHz/1000, 2))
		// The corner is where the power is half that at 1 kHz.
		corner := s.cornerHz / math.Sqrt(1+2*math.Pow(s.cornerHz/1000, 2))
		lsb := math.Ldexp(1, 1-s.bits)
		// TPDF dither and rounding: q²/4 (Lipshitz, Wannamaker and Vanderkooy 1992).
		noise := math.Hypot(s.noise, lsb/2)
		band := noise * noise * 19980 / (float64(rate) / 2)
		for _, planted := range []struct {
			test, reading string
			value         float64
		}{
			{"tone", "polarity_ch1", polarity},
			{"tone", "drift_ppm_ch1", s.ppm},
			{"tone", "tone_dbfs_ch1", tone},
			{"tone", "channel_balance_1to2_db", dsp.AmplitudeToDB((s.gain[1] + s.crosstalk*gain) / gain)},
			{"one", "crosstalk_1to2_db", dsp.AmplitudeToDB(s.crosstalk)},
			{"silence", "idle_noise_rms_dbfs_ch2", dsp.PowerToDB(band + s.humPeak*s.humPeak/2)},
			{"silence", "mains1_dbfs_ch1", dsp.AmplitudeToDB(s.humPeak)},
			{"sweep", "gain_at_1khz_db_ch1", at1k},
			{"sweep", "lower_corner_hz_ch1", corner},
		} {
			if planted.test == "silence" && light || planted.test == "sweep" && light {
				continue
			}
			r := row(t, sheet, planted.test, planted.reading)
			if r.Value == nil {
				t.Errorf("device %d (%+v): %s: %s", n, s, planted.reading, r.Reason)
				continue
			}
			off := math.Abs(*r.Value - planted.value)
			if r.AtMost {
				off = max(0, planted.value-*r.Value)
			}
			all++
			if off <= r.Uncertainty+1e-9 {
				inside++
			} else {
				outside[planted.reading]++
				t.Logf("device %d: %s is %g ± %g, planted %g", n, planted.reading, *r.Value, r.Uncertainty, planted.value)
			}
			if off > 4*r.Uncertainty+1e-9 {
				t.Errorf("device %d (%+v): %s is %g ± %g, planted %g", n, s, planted.reading, *r.Value, r.Uncertainty, planted.value)
			}
		}
	}
	t.Logf("%d of %d within the stated uncertainty; outside: %v", inside, all, outside)
	if float64(inside) < 0.95*float64(all)-1 {
		t.Errorf("%d of %d are within the stated uncertainty; wanted 95 %%", inside, all)
	}
}
