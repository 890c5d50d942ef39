package dsp

import "math"

// The elementary functions of the signal path. Those of package math differ in
// their last bits between architectures (some are assembly, and the Go code may
// be fused), therefore everything that reaches a sample uses these.

// Exp2 returns 2^x with a relative error below 3e-16, exactly at integers.
func Exp2(x float64) float64 {
	switch {
	case x != x:
		return x
	case x >= 1024:
		return math.Inf(1)
	case x <= -1080:
		return 0
	}
	steps := float64(x * 128)
	n := int(steps + math.Copysign(0.5, steps)) // nearest multiple of 1/128
	r := x - float64(float64(n)*(1.0/128))      // exact: |r| ≤ 1/256
	base := exp2Table[n&127]
	y := base + float64(base*exp2Minus1(r))
	exponent := n >> 7
	if exponent < -1022 { // the result is subnormal: scale in two steps
		return y * math.Float64frombits(uint64(exponent+1023+200)<<52) * 0x1p-200
	}
	if exponent == 1024 {
		return float64(y*0x1p1023) * 2
	}
	return y * math.Float64frombits(uint64(exponent+1023)<<52)
}

// exp2Minus1 is the series of 2^r − 1 for |r| ≤ 1/256; the first omitted term
// is below 1e-18.
func exp2Minus1(r float64) float64 {
	r2 := r * r
	low := 0.6931471805599453 + float64(r*0.24022650695910072)
	high := 0.05550410866482158 + float64(r*(0.009618129107628477+float64(r*0.0013333558146428443)))
	return r * (low + float64(r2*high))
}

// Log2 returns the base-2 logarithm of |x| with an absolute error below 1e-15
// (relative, near |x| = 1), exactly at powers of two; −Inf at 0.
func Log2(x float64) float64 {
	bits := math.Float64bits(x) &^ (1 << 63)
	exponent := int(bits>>52) - 1023
	switch {
	case exponent == 1024: // Inf or NaN
		return math.Float64frombits(bits)
	case exponent == -1023: // zero or subnormal
		if bits == 0 {
			return math.Inf(-1)
		}
		return Log2(math.Float64frombits(bits)*0x1p60) - 60
	}
	row := &log2Table[bits>>46&63]
	m := math.Float64frombits(bits&(1<<52-1) | 1023<<52)
	r := float64(m*row.factor) - 1 // |r| < 1/60
	r2 := r * r
	// Series of log2(1+r); the first omitted term is below 5e-17.
	a := 1.4426950408889634 - float64(r*0.7213475204444817)
	b := 0.4808983469629878 - float64(r*0.36067376022224085)
	c := 0.28853900817779266 - float64(r*0.2404491734814939)
	d := 0.2060992915555662 - float64(r*0.18033688011112043)
	r4 := r2 * r2
	p := float64(r * ((a + float64(r2*b)) + float64(r4*(c+float64(r2*d)))))
	return float64(exponent) + row.log2 + p
}

// SincosPi returns sin(πx) and cos(πx), each within 3e-16.
func SincosPi(x float64) (sin, cos float64) {
	quarter := math.RoundToEven(2 * x)
	y := float64((x - float64(quarter/2)) * math.Pi) // |y| ≤ π/4
	y2 := y * y
	// Taylor series; the first omitted terms are below 1e-17.
	sin = 1.0 / 355687428096000
	for _, c := range [...]float64{-1.0 / 1307674368000, 1.0 / 6227020800, -1.0 / 39916800, 1.0 / 362880, -1.0 / 5040, 1.0 / 120, -1.0 / 6} {
		sin = c + float64(sin*y2)
	}
	sin = y + float64(y*float64(y2*sin))
	cos = 1.0 / 20922789888000
	for _, c := range [...]float64{-1.0 / 87178291200, 1.0 / 479001600, -1.0 / 3628800, 1.0 / 40320, -1.0 / 720, 1.0 / 24, -1.0 / 2} {
		cos = c + float64(cos*y2)
	}
	cos = 1 + float64(y2*cos)
	switch int64(quarter) & 3 {
	case 1:
		return cos, -sin
	case 2:
		return -sin, -cos
	case 3:
		return -cos, sin
	}
	return sin, cos
}

// tanPi returns tan(πx).
func tanPi(x float64) float64 {
	sin, cos := SincosPi(x)
	return sin / cos
}

// exp returns e^x.
func exp(x float64) float64 { return Exp2(x * math.Log2E) }

// exp2Table holds 2^(i/128), rounded to nearest from 60-digit arithmetic.
var exp2Table = [128]float64{
	0x1.0000000000000p+0, 0x1.0163da9fb3335p+0, 0x1.02c9a3e778061p+0, 0x1.04315e86e7f85p+0,
	0x1.059b0d3158574p+0, 0x1.0706b29ddf6dep+0, 0x1.0874518759bc8p+0, 0x1.09e3ecac6f383p+0,
	0x1.0b5586cf9890fp+0, 0x1.0cc922b7247f7p+0, 0x1.0e3ec32d3d1a2p+0, 0x1.0fb66affed31bp+0,
	0x1.11301d0125b51p+0, 0x1.12abdc06c31ccp+0, 0x1.1429aaea92de0p+0, 0x1.15a98c8a58e51p+0,
	0x1.172b83c7d517bp+0, 0x1.18af9388c8deap+0, 0x1.1a35beb6fcb75p+0, 0x1.1bbe084045cd4p+0,
	0x1.1d4873168b9aap+0, 0x1.1ed5022fcd91dp+0, 0x1.2063b88628cd6p+0, 0x1.21f49917ddc96p+0,
	0x1.2387a6e756238p+0, 0x1.251ce4fb2a63fp+0, 0x1.26b4565e27cddp+0, 0x1.284dfe1f56381p+0,
	0x1.29e9df51fdee1p+0, 0x1.2b87fd0dad990p+0, 0x1.2d285a6e4030bp+0, 0x1.2ecafa93e2f56p+0,
	0x1.306fe0a31b715p+0, 0x1.32170fc4cd831p+0, 0x1.33c08b26416ffp+0, 0x1.356c55f929ff1p+0,
	0x1.371a7373aa9cbp+0, 0x1.38cae6d05d866p+0, 0x1.3a7db34e59ff7p+0, 0x1.3c32dc313a8e5p+0,
	0x1.3dea64c123422p+0, 0x1.3fa4504ac801cp+0, 0x1.4160a21f72e2ap+0, 0x1.431f5d950a897p+0,
	0x1.44e086061892dp+0, 0x1.46a41ed1d0057p+0, 0x1.486a2b5c13cd0p+0, 0x1.4a32af0d7d3dep+0,
	0x1.4bfdad5362a27p+0, 0x1.4dcb299fddd0dp+0, 0x1.4f9b2769d2ca7p+0, 0x1.516daa2cf6642p+0,
	0x1.5342b569d4f82p+0, 0x1.551a4ca5d920fp+0, 0x1.56f4736b527dap+0, 0x1.58d12d497c7fdp+0,
	0x1.5ab07dd485429p+0, 0x1.5c9268a5946b7p+0, 0x1.5e76f15ad2148p+0, 0x1.605e1b976dc09p+0,
	0x1.6247eb03a5585p+0, 0x1.6434634ccc320p+0, 0x1.6623882552225p+0, 0x1.68155d44ca973p+0,
	0x1.6a09e667f3bcdp+0, 0x1.6c012750bdabfp+0, 0x1.6dfb23c651a2fp+0, 0x1.6ff7df9519484p+0,
	0x1.71f75e8ec5f74p+0, 0x1.73f9a48a58174p+0, 0x1.75feb564267c9p+0, 0x1.780694fde5d3fp+0,
	0x1.7a11473eb0187p+0, 0x1.7c1ed0130c132p+0, 0x1.7e2f336cf4e62p+0, 0x1.80427543e1a12p+0,
	0x1.82589994cce13p+0, 0x1.8471a4623c7adp+0, 0x1.868d99b4492edp+0, 0x1.88ac7d98a6699p+0,
	0x1.8ace5422aa0dbp+0, 0x1.8cf3216b5448cp+0, 0x1.8f1ae99157736p+0, 0x1.9145b0b91ffc6p+0,
	0x1.93737b0cdc5e5p+0, 0x1.95a44cbc8520fp+0, 0x1.97d829fde4e50p+0, 0x1.9a0f170ca07bap+0,
	0x1.9c49182a3f090p+0, 0x1.9e86319e32323p+0, 0x1.a0c667b5de565p+0, 0x1.a309bec4a2d33p+0,
	0x1.a5503b23e255dp+0, 0x1.a799e1330b358p+0, 0x1.a9e6b5579fdbfp+0, 0x1.ac36bbfd3f37ap+0,
	0x1.ae89f995ad3adp+0, 0x1.b0e07298db666p+0, 0x1.b33a2b84f15fbp+0, 0x1.b59728de5593ap+0,
	0x1.b7f76f2fb5e47p+0, 0x1.ba5b030a1064ap+0, 0x1.bcc1e904bc1d2p+0, 0x1.bf2c25bd71e09p+0,
	0x1.c199bdd85529cp+0, 0x1.c40ab5fffd07ap+0, 0x1.c67f12e57d14bp+0, 0x1.c8f6d9406e7b5p+0,
	0x1.cb720dcef9069p+0, 0x1.cdf0b555dc3fap+0, 0x1.d072d4a07897cp+0, 0x1.d2f87080d89f2p+0,
	0x1.d5818dcfba487p+0, 0x1.d80e316c98398p+0, 0x1.da9e603db3285p+0, 0x1.dd321f301b460p+0,
	0x1.dfc97337b9b5fp+0, 0x1.e264614f5a129p+0, 0x1.e502ee78b3ff6p+0, 0x1.e7a51fbc74c83p+0,
	0x1.ea4afa2a490dap+0, 0x1.ecf482d8e67f1p+0, 0x1.efa1bee615a27p+0, 0x1.f252b376bba97p+0,
	0x1.f50765b6e4540p+0, 0x1.f7bfdad9cbe14p+0, 0x1.fa7c1819e90d8p+0, 0x1.fd3c22b8f71f1p+0,
}

// log2Table holds, for the i-th of 64 slices of 1 ≤ m < 2, a factor f with few
// digits and m·f near 1, and −log2 f. The first and last factors are powers of
// two, so that log2 is exact at powers of two and accurate near them.
var log2Table = [64]struct{ factor, log2 float64 }{
	{1.0, 0}, {0.9765625, 0x1.184b8e4c56af8p-5},
	{0.962890625, 0x1.beec9151aac2ep-5}, {0.947265625, 0x1.4023b7b26ac9ep-4},
	{0.93359375, 0x1.960caf9abb7cap-4}, {0.919921875, 0x1.ed3a1d4cdbebbp-4},
	{0.908203125, 0x1.1c7e77dde33dcp-3}, {0.89453125, 0x1.494f863b8df35p-3},
	{0.8828125, 0x1.7046031c79f85p-3}, {0.87109375, 0x1.97c1cb13c7ec1p-3},
	{0.859375, 0x1.bfc67a7fff4ccp-3}, {0.84765625, 0x1.e857d3d361368p-3},
	{0.8359375, 0x1.08bce0d95fa38p-2}, {0.826171875, 0x1.1a190a5d674a0p-2},
	{0.814453125, 0x1.2f33e6d2120f2p-2}, {0.8046875, 0x1.4106017c3eca3p-2},
	{0.794921875, 0x1.530fd08f29fa7p-2}, {0.78515625, 0x1.6552b49986277p-2},
	{0.775390625, 0x1.77d01b66fbd37p-2}, {0.765625, 0x1.8a8980abfbd32p-2},
	{0.7578125, 0x1.99b072a96c6b2p-2}, {0.748046875, 0x1.acd9c130dd53fp-2},
	{0.740234375, 0x1.bc5c5489254ccp-2}, {0.73046875, 0x1.cffae611ad12bp-2},
	{0.72265625, 0x1.dfdd89d586e2bp-2}, {0.71484375, 0x1.efec61b011f85p-2},
	{0.70703125, 0x1.0014332be0033p-1}, {0.69921875, 0x1.08494c66b8ef0p-1},
	{0.69140625, 0x1.1096015dee4dap-1}, {0.68359375, 0x1.18fadb6e2d3c2p-1},
	{0.677734375, 0x1.1f56ac9ed9a8dp-1}, {0.669921875, 0x1.27e72080fcde6p-1},
	{0.6640625, 0x1.2e644fac04fd8p-1}, {0.65625, 0x1.37222bb70747cp-1},
	{0.650390625, 0x1.3dc21e613cf39p-1}, {0.642578125, 0x1.46af4e41a1f3fp-1},
	{0.63671875, 0x1.4d7380dcc422dp-1}, {0.630859375, 0x1.5447b7266439bp-1},
	{0.625, 0x1.5b2c3da19723bp-1}, {0.619140625, 0x1.622162faf1183p-1},
	{0.61328125, 0x1.6927781d932a8p-1}, {0.607421875, 0x1.703ed0493b8f6p-1},
	{0.6015625, 0x1.7767c12967a45p-1}, {0.595703125, 0x1.7ea2a2ed97ccep-1},
	{0.58984375, 0x1.85efd062c656dp-1}, {0.583984375, 0x1.8d4fa70e23c8ep-1},
	{0.580078125, 0x1.9244c3a281a86p-1}, {0.57421875, 0x1.99c48be2063c8p-1},
	{0.568359375, 0x1.a15804e0be888p-1}, {0.564453125, 0x1.a6702414dbb3ap-1},
	{0.55859375, 0x1.ae255819f022dp-1}, {0.5546875, 0x1.b35458761d479p-1},
	{0.548828125, 0x1.bb2c792ddbe75p-1}, {0.544921875, 0x1.c0732be1e9febp-1},
	{0.541015625, 0x1.c5c3963948fa5p-1}, {0.53515625, 0x1.cdcebd2373995p-1},
	{0.53125, 0x1.d338120a6dd9dp-1}, {0.52734375, 0x1.d8aba045b01c8p-1},
	{0.521484375, 0x1.e0ec767ccdac6p-1}, {0.517578125, 0x1.e67a403cb6ae7p-1},
	{0.513671875, 0x1.ec12cf6b97a5ep-1}, {0.509765625, 0x1.f1b64e22bd784p-1},
	{0.505859375, 0x1.f764e7742b428p-1}, {0.5, 0x1.0000000000000p+0},
}
