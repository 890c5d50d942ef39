package instrument

import (
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp/dsptest"
)

// Gains over 0.3 to 20 of their time constants in each part of a step, with and without noise.
// A stated time is that of an infinitely long step, within the stated uncertainty, and so is a
// change. A part of 8 time constants (12 for two exponentials in series) has a time. A part
// that is too short is named by its setting.
func TestTimesOfUnsettledGainsAreRefused(t *testing.T) {
	cases := 300
	if dsptest.IsExhaustive() {
		cases = 2000
	}
	const rate = 8000
	rng := rand.New(rand.NewPCG(18, 40))
	stated, refused := 0, 0
	for i := range cases {
		shape, clear := stepShapes[i%len(stepShapes)], []float64{8, 3, 12}[i%len(stepShapes)]
		constants := func() float64 { return 0.3 * math.Pow(20/0.3, rng.Float64()) }
		seconds := [3]float64{0.5, 0.3 + rng.Float64(), 0.5 + 2*rng.Float64()}
		length := [3]float64{0, constants(), constants()}
		attack, release := seconds[1]/length[1], seconds[2]/length[2] // time constants
		moves := 0.0                                                  // of the gain before the step, in dB a second
		if i%4 == 3 {
			moves = 6 * (1 - 2*rng.Float64())
		}
		change, noise := -1-14*rng.Float64(), 0.0
		if i%2 == 1 {
			noise = math.Pow(10, -4+2.5*rng.Float64())
		}
		up := int(seconds[0] * rate)
		down := up + int(seconds[1]*rate)
		trace := GainTrace{RateHz: rate, Up: up, Down: down, GainDB: make([]float64, down+int(seconds[2]*rate))}
		reachedAt := change * shape(seconds[1]/attack) // where the release begins
		for n := range trace.GainDB {
			at := func(from int) float64 { return float64(n-from+1) / rate }
			switch {
			case n < up:
				trace.GainDB[n] = moves * at(up)
			case n < down:
				trace.GainDB[n] = change * shape(at(up)/attack)
			default:
				trace.GainDB[n] = reachedAt * (1 - shape(at(down)/release))
			}
			trace.GainDB[n] += noise * rng.NormFloat64()
		}
		readings := trace.Readings()
		begin, middle := reached(shape, 0.001), reached(shape, 1-1/math.E)
		for name, c := range map[string]struct{ constant, length, change float64 }{
			"attack": {attack, length[1], change}, "release": {release, length[2], -change},
		} {
			time, _ := readings.Get(name + "_ms")
			by, _ := readings.Get(name + "_change_db")
			want := 1000 * c.constant * (middle - begin)
			steady := min(length[1], length[2]) >= clear && (name == "release" || moves == 0)
			if !by.Measurable() {
				refused++
				if steady {
					t.Errorf("case %d: %s over %.1f time constants: %s", i, name, c.length, by.Reason)
				}
				if !strings.Contains(by.Reason, "_seconds=") || time.Measurable() {
					t.Errorf("case %d: %s: %v, %v", i, name, by, time)
				}
				continue
			}
			stated++
			if math.Abs(by.Value) < leastStepDB && !time.Measurable() {
				continue // noise hides a change, and it is stated to be too small for times
			}
			// The last value of an exponential that is cut off at 5.4 time constants is 1 %
			// short, that of two in series 2 %. Noise adds what the test in noise accepts.
			if off := math.Abs(by.Value - c.change); off > 0.02*math.Abs(c.change)+4*clearOfNoise*noise/math.Sqrt(0.07*seconds[1]*rate) {
				t.Errorf("case %d: %s over %.1f time constants, noise %.4f dB: change %v, want %.2f", i, name, c.length, noise, by, c.change)
			}
			if noise == 0 && time.Measurable() && math.Abs(time.Value-want) > 0.02*want+0.25 {
				t.Errorf("case %d: %s over %.1f time constants: %v, want %.2f", i, name, c.length, time, want)
			}
			if name == "attack" && math.Abs(moves) > 1 && noise == 0 {
				t.Errorf("case %d: the gain moves by %.1f dB a second before the step, and attack is %v", i, moves, by)
			}
		}
	}
	t.Logf("%d stated, %d refused", stated, refused)
	if stated < cases/10 || refused < cases/10 { // both happen; about one of five is stated
		t.Errorf("%d stated, %d refused of %d", stated, refused, 2*cases)
	}
}

// Gains that have nearly settled, with and without noise: 19 of 20 stated times are within
// their bounds. The bounds are not too wide: the 95th percentile of the error is at least a
// fifth of the bound.
func TestBoundsOfTimesOfSlowGains(t *testing.T) {
	cases := 120
	if dsptest.IsExhaustive() {
		cases = 2000
	}
	const rate, half = 12000, 1
	rng := rand.New(rand.NewPCG(4, 44))
	held, all := map[string]int{}, map[string]int{}
	ratios := map[string][]float64{}
	worst := map[string]float64{}
	for i := range cases {
		shape := stepShapes[2*(i%2)]
		seconds := [3]float64{0.3, 0.3 + rng.Float64(), 0.5 + 2*rng.Float64()}
		enough := []float64{5, 8}[i%2] // time constants; fewer give no times
		constants := func() float64 { return enough + 4*rng.Float64() }
		attack, release := seconds[1]/constants(), seconds[2]/constants()
		change, noise := -2-12*rng.Float64(), 0.0
		if i%3 > 0 {
			noise = math.Pow(10, -5+3*rng.Float64())
		}
		up := int(seconds[0] * rate)
		down := up + int(seconds[1]*rate)
		trace := GainTrace{RateHz: rate, Up: up, Down: down, Half: half, GainDB: make([]float64, down+int(seconds[2]*rate))}
		reachedAt := change * shape(seconds[1]/attack)
		for n := range trace.GainDB {
			at := func(from int) float64 { return float64(n-from+1) / rate }
			switch {
			case n < up:
			case n < down:
				trace.GainDB[n] = change * shape(at(up)/attack)
			default:
				trace.GainDB[n] = reachedAt * (1 - shape(at(down)/release))
			}
			trace.GainDB[n] += noise * rng.NormFloat64()
		}
		readings := trace.Readings()
		begin, middle, tenNinety := reached(shape, 0.001), reached(shape, 1-1/math.E), reached(shape, 0.9)-reached(shape, 0.1)
		for name, want := range map[string]float64{
			"attack_ms": attack * (middle - begin), "attack_10_90_ms": attack * tenNinety, "attack_begins_ms": attack * begin,
			"release_ms": release * (middle - begin), "release_10_90_ms": release * tenNinety, "release_begins_ms": release * begin,
		} {
			want *= 1000
			if strings.HasSuffix(name, "begins_ms") {
				want -= 1000.0 / rate // the first frame after the step has already moved
			}
			got, _ := readings.Get(name)
			if !got.Measurable() {
				continue
			}
			stated := 1000 * leastStatedFrames / rate
			if found := plusMinusMs.FindStringSubmatch(got.Bound); found != nil {
				stated, _ = strconv.ParseFloat(found[1], 64)
			}
			stated *= 1.05 // the bound is printed with two digits
			stated += 1000.0 / rate / 4
			all[name]++
			off := math.Abs(got.Value - want)
			ratios[name] = append(ratios[name], off/stated)
			if off <= stated {
				held[name]++
			} else if off/stated > worst[name] {
				worst[name] = off / stated
				t.Logf("case %d: %s: %v (%s), want %.3f; lengths %.1f %.1f, noise %.5f dB, change %.1f", i, name, got.Value, got.Bound, want, seconds[1]/attack, seconds[2]/release, noise, change)
			}
		}
	}
	t.Log(held, all)
	for name, n := range all {
		slices.Sort(ratios[name])
		t.Logf("%s: of what is stated, the median is off by %.2f and the 20th by %.2f", name, ratios[name][n/2], ratios[name][n*19/20])
		if float64(n-held[name]) > 0.05*float64(n)+1 {
			t.Errorf("%s: %d of %d within what is stated", name, held[name], n)
		}
		if ratios[name][n*19/20] < 0.2 {
			t.Errorf("%s: what is stated is 5 times too wide", name)
		}
	}
}
