//go:build !purego

#include "textflag.h"
#include "neon_arm64.h"

// Four more products of the samples in V16 and V17 with the row at r, in the sums s and t.
#define MORE(r, s, t) \
	FLDPQ.P 32(r), (F18, F19) \
	FMUL(16, 18, 18)          \
	FMUL(17, 19, 19)          \
	FADD(18, s, s)            \
	FADD(19, t, t)

// func dots4SIMD(x, a, b, c, d *float64, fours int, sums *[4]float64)
TEXT ·dots4SIMD(SB), NOSPLIT, $0-56
	MOVD x+0(FP), R0
	MOVD a+8(FP), R1
	MOVD b+16(FP), R2
	MOVD c+24(FP), R3
	MOVD d+32(FP), R4
	MOVD fours+40(FP), R5
	MOVD sums+48(FP), R6
	NOSUMS

four:
	FLDPQ.P 32(R0), (F16, F17)
	MORE(R1, 0, 1)
	MORE(R2, 2, 3)
	MORE(R3, 4, 5)
	MORE(R4, 6, 7)
	SUBS $1, R5
	BNE  four
	FADDPAIRS(1, 0, 0) // first and second sum of a; third and fourth
	FADDPAIRS(3, 2, 2)
	FADDPAIRS(5, 4, 4)
	FADDPAIRS(7, 6, 6)
	FADDPAIRS(2, 0, 0)
	FADDPAIRS(6, 4, 4)
	FSTPQ (F0, F4), (R6)
	RET

// func dots2SIMD(x, a, b *float64, fours int, sums *[2]float64)
TEXT ·dots2SIMD(SB), NOSPLIT, $0-40
	MOVD x+0(FP), R0
	MOVD a+8(FP), R1
	MOVD b+16(FP), R2
	MOVD fours+24(FP), R5
	MOVD sums+32(FP), R6
	VEOR V0.B16, V0.B16, V0.B16
	VEOR V1.B16, V1.B16, V1.B16
	VEOR V2.B16, V2.B16, V2.B16
	VEOR V3.B16, V3.B16, V3.B16

four:
	FLDPQ.P 32(R0), (F16, F17)
	MORE(R1, 0, 1)
	MORE(R2, 2, 3)
	SUBS $1, R5
	BNE  four
	FADDPAIRS(1, 0, 0)
	FADDPAIRS(3, 2, 2)
	FADDPAIRS(2, 0, 0)
	FMOVQ F0, (R6)
	RET
