package dsp

import (
	"math"
	"math/cmplx"
	"testing"
)

// Audio EQ Cookbook (W3C Group Note, 2021), fs = 48 kHz, worked in 40-digit
// arithmetic from its formulas and rounded to 16 digits.
var cookbookValues = []struct {
	name    string
	section Biquad
	want    Biquad
	gains   map[float64]float64 // Hz: dB
}{
	{"high-pass 80 Hz, Q 1/√2", CookbookHighPass(80, math.Sqrt2/2, 48000),
		Biquad{0.992622542756119, -1.985245085512238, 0.992622542756119, -1.985190657896261, 0.9852995131282146},
		map[float64]float64{20: -24.0994795, 40: -12.3046013, 80: -3.01029996, 160: -0.263261373, 997: -0.000179020371}},
	{"low-pass 8 kHz, Q 1/√2", CookbookLowPass(8000, math.Sqrt2/2, 48000),
		Biquad{0.1550510257216822, 0.3101020514433644, 0.1550510257216822, -0.6202041028867288, 0.2404082057734575},
		map[float64]float64{1000: -0.0007212873, 5000: -0.490240607, 8000: -3.01029996, 16000: -19.1381385, 20000: -32.4228137}},
	{"bell 3 kHz, +6 dB, Q 1", CookbookBell(3000, 6, 1, 48000),
		Biquad{1.118734124227245, -1.627322652361588, 0.6426672220480687, -1.627322652361588, 0.7614013462753135},
		map[float64]float64{250: 0.0441374263, 997: 0.754471224, 2000: 3.46863693, 3000: 6.0, 5000: 2.67269409, 10000: 0.457481565}},
	{"bell 250 Hz, −4 dB, Q 1.4", CookbookBell(250, -4, 1.4, 48000),
		Biquad{0.9946497105856007, -1.969949192706995, 0.9763547826111912, -1.969949192706995, 0.971004493196792},
		map[float64]float64{20: -0.0136501773, 100: -0.425106544, 250: -4.0, 500: -0.752144789, 997: -0.145041804}},
	// Shelf slope S = 1 is Q = 1/√2.
	{"low shelf 120 Hz, −3 dB", CookbookLowShelf(120, -3, math.Sqrt2/2, 48000),
		Biquad{0.9980813905270111, -1.975825754793588, 0.9779494799188737, -1.975783445839807, 0.9760731793996658},
		map[float64]float64{20: -2.997641, 80: -2.49968969, 120: -1.5, 250: -0.153758567, 997: -0.000638465979}},
	{"high shelf 10 kHz, +4 dB", CookbookHighShelf(10000, 4, math.Sqrt2/2, 48000),
		Biquad{1.304227619066271, -0.5702612628262967, 0.2681143572523584, -0.1749052682766052, 0.1769859817689377},
		map[float64]float64{997: 0.000217891131, 5000: 0.152230806, 8000: 0.984059892, 10000: 2.0, 16000: 3.84693419, 20000: 3.99261116}},
	{"notch 50 Hz, Q 30", CookbookNotch(50, 30, 48000),
		Biquad{0.9998909295981944, -1.99973902719686, 0.9998909295981944, -1.99973902719686, 0.9997818591963887},
		map[float64]float64{20: -0.0010940695, 40: -0.0237641857, 80: -0.00507303497, 997: -1.21630096e-5}},
	{"band-pass 1 kHz, one octave", CookbookBandPass(1000, oneOctaveQ(1000, 48000), 48000),
		Biquad{0.04423774148793841, 0, -0.04423774148793841, -1.895171159793622, 0.9115245170241232},
		map[float64]float64{250: -14.6304748, 500: -7.39520619, 1000: 0, 2000: -7.43340993, 8000: -21.7988186}},
	{"notch 997 Hz, Q 2", CookbookNotch(997, 2, 48000),
		Biquad{0.9684909126171621, -1.920509814001308, 0.9684909126171621, -1.920509814001308, 0.9369818252343242},
		map[float64]float64{500: -0.460395656, 1994: -0.451433521, 3000: -0.14480328}},
	{"high-pass 80 Hz at 44.1 kHz", CookbookHighPass(80, math.Sqrt2/2, 44100),
		Biquad{0.9919727398025888, -1.983945479605178, 0.9919727398025888, -1.983881041660839, 0.9840099175495168},
		nil},
}

// oneOctaveQ is the Q of one octave between −3 dB edges, after the Cookbook:
// 1/Q = 2 sinh(ln 2/2 · ω0/sin ω0).
func oneOctaveQ(hz, rate float64) float64 {
	w := 2 * math.Pi * hz / rate
	return 1 / (2 * math.Sinh(math.Ln2/2*w/math.Sin(w)))
}

func TestCookbookWorkedValues(t *testing.T) {
	for _, c := range cookbookValues {
		got, want := c.section, c.want
		for i, pair := range [][2]float64{{got.B0, want.B0}, {got.B1, want.B1}, {got.B2, want.B2}, {got.A1, want.A1}, {got.A2, want.A2}} {
			// 1e-12: the design is the same; a few roundings of numbers near 1.
			if math.Abs(pair[0]-pair[1]) > 1e-12 {
				t.Errorf("%s: coefficient %d is %.16g, want %.16g", c.name, i, pair[0], pair[1])
			}
		}
		for hz, db := range c.gains {
			// The values are printed with 9 digits.
			if g := decibels(c.section.Response(hz, 48000)); math.Abs(g-db) > 1e-7 {
				t.Errorf("%s: %.9g dB at %g Hz, want %.9g", c.name, g, hz, db)
			}
		}
	}
}

func decibels(h complex128) float64 { return 20 * math.Log10(cmplx.Abs(h)) }

// The bilinear Butterworth's magnitude has a closed form in T = tan(πf/fs):
// |H|² = 1/(1+(T0/T)^2n) for a high-pass, and with T/T0 for a low-pass.
func TestButterworthClosedForm(t *testing.T) {
	for _, rate := range []float64{8000, 44100, 48000, 192000} {
		for order := 1; order <= 8; order++ {
			for _, corner := range []float64{20, 80, 1000, 3500} {
				high, low := NewCascade(ButterworthHighPass(order, corner, rate), 1), NewCascade(ButterworthLowPass(order, corner, rate), 1)
				for _, hz := range []float64{corner / 4, corner / 2, corner, 1.7 * corner, 0.49 * rate} {
					if hz >= rate/2 {
						continue
					}
					ratio := math.Tan(math.Pi*hz/rate) / math.Tan(math.Pi*corner/rate)
					for _, c := range []struct {
						name string
						got  *Cascade
						want float64
					}{
						{"high", high, -10 * math.Log10(1+math.Pow(ratio, -2*float64(order)))},
						{"low", low, -10 * math.Log10(1+math.Pow(ratio, 2*float64(order)))},
					} {
						// Far below a high-pass's corner the double zero at 0 Hz
						// rounds: (f/fs)² against 1e-16.
						limit := 1e-9 + 1e-15*math.Pow(rate/hz, 2)*float64(order)
						if c.want < -150 {
							limit = 1e-3
						}
						if g := decibels(c.got.Response(hz, rate)); math.Abs(g-c.want) > limit {
							t.Errorf("%s-pass, order %d, %g Hz at %g Hz: %.12g dB at %g Hz, want %.12g", c.name, order, corner, rate, g, hz, c.want)
						}
					}
				}
			}
		}
	}
	// −3.01 dB is the corner's definition, and these are exact for order 4:
	// 4th-order high-pass 80 Hz at 48 kHz (closed form above).
	c := NewCascade(ButterworthHighPass(4, 80, 48000), 1)
	for hz, db := range map[float64]float64{20: -48.16516323, 40: -24.09956844, 60: -10.40959783, 80: -3.010299957, 160: -0.0169278742} {
		if g := decibels(c.Response(hz, 48000)); math.Abs(g-db) > 1e-7 {
			t.Errorf("order 4: %.10g dB at %g Hz, want %.10g", g, hz, db)
		}
	}
}

// Identities that hold at any setting (Audio EQ Cookbook).
func TestCookbookIdentities(t *testing.T) {
	const rate = 44100
	for _, hz := range []float64{30, 700, 5000, 15000} {
		for _, q := range []float64{0.5, 1, 6} {
			for _, db := range []float64{-12, -1, 3, 15} {
				near := func(name string, got, want float64) {
					t.Helper()
					if math.Abs(got-want) > 1e-9 {
						t.Errorf("%s at %g Hz, Q %g, %g dB: %.12g, want %.12g", name, hz, q, db, got, want)
					}
				}
				near("bell's centre", decibels(CookbookBell(hz, db, q, rate).Response(hz, rate)), db)
				near("low shelf's centre", decibels(CookbookLowShelf(hz, db, q, rate).Response(hz, rate)), db/2)
				near("high shelf's centre", decibels(CookbookHighShelf(hz, db, q, rate).Response(hz, rate)), db/2)
				near("high shelf's top", decibels(CookbookHighShelf(hz, db, q, rate).Response(rate/2, rate)), db)
				near("low-pass at its frequency", decibels(CookbookLowPass(hz, q, rate).Response(hz, rate)), 20*math.Log10(q))
				boost, cut := CookbookBell(hz, db, q, rate), CookbookBell(hz, -db, q, rate)
				near("boost and cut", decibels(boost.Response(3000, rate)*cut.Response(3000, rate)), 0)
			}
		}
	}
}

// The cascade's output is what its response says: the transform of its impulse
// response, and of each kernel (by the number of sections).
func TestCascadeHasItsStatedResponse(t *testing.T) {
	const rate, frames = 48000, 1 << 15
	for sections := 1; sections <= 8; sections++ {
		var list []Biquad
		for i := range sections {
			list = append(list, CookbookBell(300*float64(i+1), float64(i%3*4-5), 0.8, rate))
		}
		for _, channels := range []int{1, 2, 3} {
			c := NewCascade(list, channels)
			b := NewBlock(channels, frames)
			for ch := range b {
				b[ch][0] = float64(ch + 1)
			}
			c.Process(b)
			for _, hz := range []float64{50, 440, 1500, 12000} {
				want := c.Response(hz, rate)
				for ch, plane := range b {
					var got complex128
					for n, x := range plane {
						got += complex(x, 0) * cmplx.Exp(complex(0, -2*math.Pi*hz*float64(n)/rate))
					}
					got /= complex(float64(ch+1), 0)
					// Rounding of 32768 terms, and a response cut off below 1e-12.
					if cmplx.Abs(got-want) > 1e-10 {
						t.Errorf("%d sections, channel %d of %d, %g Hz: %v, want %v", sections, ch+1, channels, hz, got, want)
					}
				}
			}
		}
	}
}
