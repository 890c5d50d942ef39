package dsp

// The kernels are transposed direct form II with the output put into the
// states' equations, so that a state waits for one product and two sums
// instead of two products and three sums:
//
//	y  = b0 x + s1
//	s1 ← s2 + (b1 − a1 b0) x − a1 s1
//	s2 ←      (b2 − a2 b0) x − a2 s1
//
// Every kernel does a section's arithmetic in the same order, so which one runs
// changes no bit. An assembly version of a kernel has to keep that order too.

type kernel struct{ b0, c1, c2, a1, a2 float64 }

type kernelState struct{ s1, s2 float64 }

func (s Biquad) kernel() kernel {
	return kernel{s.B0, s.B1 - float64(s.A1*s.B0), s.B2 - float64(s.A2*s.B0), s.A1, s.A2}
}

// The statements keep few values alive at a time and take coefficients from
// memory: so the compiler keeps the states in registers, which is what the
// loops' speed hangs on.

// oneSection runs a section over a channel.
func oneSection(x []float64, k *kernel, state *kernelState) {
	p1, p2 := state.s1, state.s2
	for n, v := range x {
		x[n] = float64(k.b0*v) + p1
		p2 += float64(k.c1 * v)
		v = float64(v * k.c2)
		p2 -= float64(k.a1 * p1)
		v -= float64(k.a2 * p1)
		p1, p2 = p2, v
	}
	state.s1, state.s2 = p1, p2
}

// twoSections runs two sections in series over a channel.
func twoSections(x []float64, k []kernel, stateK, stateL *kernelState) {
	a, b := &k[0], &k[1]
	p1, p2 := stateK.s1, stateK.s2
	q1, q2 := stateL.s1, stateL.s2
	for n, v := range x {
		w := float64(a.b0*v) + p1
		p2 += float64(a.c1 * v)
		v = float64(v * a.c2)
		p2 -= float64(a.a1 * p1)
		v -= float64(a.a2 * p1)
		p1, p2 = p2, v
		x[n] = float64(b.b0*w) + q1
		q2 += float64(b.c1 * w)
		w = float64(w * b.c2)
		q2 -= float64(b.a1 * q1)
		w -= float64(b.a2 * q1)
		q1, q2 = q2, w
	}
	stateK.s1, stateK.s2 = p1, p2
	stateL.s1, stateL.s2 = q1, q2
}

// threeSections runs three sections in series over a channel.
func threeSections(x []float64, k []kernel, stateK, stateL, stateM *kernelState) {
	a, b, c := &k[0], &k[1], &k[2]
	p1, p2 := stateK.s1, stateK.s2
	q1, q2 := stateL.s1, stateL.s2
	r1, r2 := stateM.s1, stateM.s2
	for n, v := range x {
		w := float64(a.b0*v) + p1
		p2 += float64(a.c1 * v)
		v = float64(v * a.c2)
		p2 -= float64(a.a1 * p1)
		v -= float64(a.a2 * p1)
		p1, p2 = p2, v
		v = float64(b.b0*w) + q1
		q2 += float64(b.c1 * w)
		w = float64(w * b.c2)
		q2 -= float64(b.a1 * q1)
		w -= float64(b.a2 * q1)
		q1, q2 = q2, w
		x[n] = float64(c.b0*v) + r1
		r2 += float64(c.c1 * v)
		v = float64(v * c.c2)
		r2 -= float64(c.a1 * r1)
		v -= float64(c.a2 * r1)
		r1, r2 = r2, v
	}
	stateK.s1, stateK.s2 = p1, p2
	stateL.s1, stateL.s2 = q1, q2
	stateM.s1, stateM.s2 = r1, r2
}

// twoChannels runs a section over two channels.
func twoChannels(x, y []float64, k *kernel, stateX, stateY *kernelState) {
	p1, p2 := stateX.s1, stateX.s2
	q1, q2 := stateY.s1, stateY.s2
	y = y[:len(x)]
	for n, v := range x {
		x[n] = float64(k.b0*v) + p1
		p2 += float64(k.c1 * v)
		v = float64(v * k.c2)
		p2 -= float64(k.a1 * p1)
		v -= float64(k.a2 * p1)
		p1, p2 = p2, v
		w := y[n]
		y[n] = float64(k.b0*w) + q1
		q2 += float64(k.c1 * w)
		w = float64(w * k.c2)
		q2 -= float64(k.a1 * q1)
		w -= float64(k.a2 * q1)
		q1, q2 = q2, w
	}
	stateX.s1, stateX.s2 = p1, p2
	stateY.s1, stateY.s2 = q1, q2
}
