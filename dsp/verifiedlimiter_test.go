package dsp_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"github.com/boothbench/boothbench/dsp"
)

// TestLimiterCeilingOnAnySignal draws adversaries. For hours:
//
//	go test ./dsp -run TestLimiterCeilingOnAnySignal -rapid.checks 1000000 -timeout 0
func TestLimiterCeilingOnAnySignal(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		newAdversary(rapid.SliceOfN(rapid.Byte(), adversaryHead+4, adversaryHead+4*12).Draw(t, "adversary")).check(t)
	})
}

// FuzzLimiterHolds looks for an adversary that gets past the limiter. For hours:
//
//	go test ./dsp -run '^$' -fuzz FuzzLimiterHolds -fuzztime 8h
//
// What it finds, it writes to testdata/fuzz/FuzzLimiterHolds; under a name that
// says what it is, it stays there as a test.
func FuzzLimiterHolds(f *testing.F) {
	for kind := range byte(16) { // each kind alone, +6 dB, then after silence
		f.Add([]byte{2, kind, 255, 1, 60, 2, 0, 0, kind, 24, 150, 100 + kind})
		f.Add([]byte{1, kind, 6, 3, 90, kind, 129, 1, 0, 0, 20, 0, kind, 100, 90, kind, kind + 16, 60, 200, 77})
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		if len(data) > 4096 {
			return
		}
		newAdversary(data).check(t)
	})
}

// TestVerifiedLimiterLatency: floor(lookahead_ms · rate / 1000) + 511 frames. An
// impulse under the ceiling comes out alone, so late, as it went in.
func TestVerifiedLimiterLatency(t *testing.T) {
	for _, rate := range []int{32000, 44100, 48000, 88200, 96000, 192000} {
		for _, lookahead := range []float64{.5, .7, 1, 3, 10} {
			for _, channels := range []int{1, 8} {
				s := limiterDefaults()
				s.LookaheadMs = lookahead
				v, err := dsp.NewVerifiedLimiter(s, rate, channels)
				if err != nil {
					t.Fatal(err)
				}
				want := int(math.Floor(lookahead*float64(rate)/1000+1e-6)) + 511
				if v.Latency() != want {
					t.Errorf("%g ms at %d Hz: latency %d frames, want %d", lookahead, rate, v.Latency(), want)
				}
				b := dsp.NewBlock(channels, 3000)
				for c := range b {
					b[c][100+c] = .25
				}
				v.Process(b)
				for c := range b {
					for n, x := range b[c] {
						if (x == .25) != (n == 100+c+want) || x != 0 && x != .25 {
							t.Fatalf("%g ms at %d Hz, channel %d: %g at frame %d, want the impulse at %d alone", lookahead, rate, c, x, n, 100+c+want)
						}
					}
				}
			}
		}
	}
}

// TestVerificationLeavesTonesUnchanged: steady tones under 6 dB of limiting pass it bit
// for bit, so that TestLimiterDistortion holds for the verified limiter too; and
// so does an isolated peak, for TestLimiterGainIsSmooth.
func TestVerificationLeavesTonesUnchanged(t *testing.T) {
	const rate = 48000
	s := limiterDefaults()
	s.DriveDB = 6
	for _, hz := range []float64{0, 40, 41.3, 60, 97, 100, 220.7, 440, 997, 1000, 3001, 4410, 4999, 5000} {
		b := dsp.NewBlock(1, rate)
		b[0][5000] = ceiling
		for n := range b[0] {
			if hz > 0 {
				b[0][n] = ceiling * math.Sin(2*math.Pi*hz*float64(n)/rate)
			}
		}
		out, _ := limited(b, s, rate)
		checked, _ := verified(dsp.Block{out[0][:rate]}, dsp.VerifiedCeilingSettings{CeilingDBTP: s.CeilingDBTP}, rate)
		for n := 0; n < rate-1000; n++ { // the cut at the end is no tone
			if checked[0][n] != out[0][n] {
				t.Errorf("%g Hz: frame %d: %v, want %v", hz, n, checked[0][n], out[0][n])
				break
			}
		}
	}
}

// TestReductionIsReported: 6 dB over by one sample are 6 dB of reduction and the
// margin, 0.002 dB; the drive is not counted, and Reset forgets.
func TestReductionIsReported(t *testing.T) {
	s := limiterDefaults()
	s.DriveDB = -20
	v, err := dsp.NewVerifiedLimiter(s, 48000, 2)
	if err != nil {
		t.Fatal(err)
	}
	limiting, verification := v.Parts()
	b := dsp.NewBlock(2, 4000)
	b[1][1000] = ceiling * math.Pow(10, 26./20)
	v.Process(b)
	if got := limiting.ReductionDB(); math.Abs(got-6.002) > .0005 || verification.ReductionDB() != 0 {
		t.Errorf("%.4f dB, by the verification %g; want 6.002 and 0", got, verification.ReductionDB())
	}
	v.Reset()
	if got := limiting.ReductionDB(); got != 0 {
		t.Errorf("%.4f dB after Reset", got)
	}
}
