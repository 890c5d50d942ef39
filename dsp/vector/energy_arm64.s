//go:build !purego

#include "textflag.h"
#include "neon_arm64.h"

// A pair of frames of a section: v and u are the inputs, p and q its states, y and z what
// comes out. The coefficients are in registers in the order of Doubled. V0 and V1 are
// changed, and so is V2, the new first state.
#define PAIR(v, u, p, q, y, z, b0, c1, c2, a1, a2, into1, from1, into2, from2) \
	FMUL(b0, v, y)    \
	FADD(p, y, y)     \
	FMUL(c1, v, z)    \
	FADD(z, q, z)     \
	FMUL(a1, p, 0)    \
	FSUB(0, z, z)     \
	FMUL(b0, u, 0)    \
	FADD(z, 0, z)     \
	FMUL(into1, v, 2) \
	FMUL(c1, u, 0)    \
	FADD(0, 2, 2)     \
	FMUL(a1, q, 0)    \
	FSUB(0, 2, 2)     \
	FMUL(from1, p, 0) \
	FADD(0, 2, 2)     \
	FMUL(into2, v, 1) \
	FMUL(c2, u, 0)    \
	FADD(0, 1, 1)     \
	FMUL(a2, q, 0)    \
	FSUB(0, 1, 1)     \
	FMUL(from2, p, 0) \
	FADD(0, 1, q)     \
	MOVE(2, p)

// func energyTwoSIMD(x, y *float64, pairs int, d *Doubled, a, b *DoubledState, w *[4]float64, sums *float64)
TEXT ·energyTwoSIMD(SB), NOSPLIT, $0-64
	MOVD x+0(FP), R0
	MOVD y+8(FP), R1
	MOVD pairs+16(FP), R2
	MOVD d+24(FP), R3
	MOVD a+32(FP), R4
	MOVD b+40(FP), R5
	MOVD w+48(FP), R6
	MOVD sums+56(FP), R7
	// The coefficients of the first section in even registers, of the second in odd ones.
	FLDPQ.P 32(R3), (F14, F15)
	FLDPQ.P 32(R3), (F16, F17)
	FLDPQ.P 32(R3), (F18, F19)
	FLDPQ.P 32(R3), (F20, F21)
	FLDPQ.P 32(R3), (F22, F23)
	FLDPQ.P 32(R3), (F24, F25)
	FLDPQ.P 32(R3), (F26, F27)
	FLDPQ.P 32(R3), (F28, F29)
	FLDPQ   (R3), (F30, F31)
	FLDPQ   (R4), (F0, F2)
	FLDPQ   (R5), (F1, F3)
	VZIP1   V1.D2, V0.D2, V4.D2
	VZIP2   V1.D2, V0.D2, V5.D2
	VZIP1   V3.D2, V2.D2, V6.D2
	VZIP2   V3.D2, V2.D2, V7.D2
	FLDPQ   (R6), (F9, F10)
	FMOVQ   (R7), F8

pairs:
	PAIR(9, 10, 6, 7, 11, 12, 15, 17, 19, 21, 23, 25, 27, 29, 31)
	FMUL(11, 11, 11)
	FADD(11, 8, 8)
	FMUL(12, 12, 12)
	FADD(12, 8, 8)
	FMOVQ.P 16(R0), F0
	FMOVQ.P 16(R1), F1
	VZIP1   V1.D2, V0.D2, V3.D2
	VZIP2   V1.D2, V0.D2, V13.D2
	PAIR(3, 13, 4, 5, 9, 10, 14, 16, 18, 20, 22, 24, 26, 28, 30)
	SUBS $1, R2
	BNE  pairs
	VZIP1 V5.D2, V4.D2, V0.D2
	VZIP2 V5.D2, V4.D2, V1.D2
	VZIP1 V7.D2, V6.D2, V2.D2
	VZIP2 V7.D2, V6.D2, V3.D2
	FSTPQ (F0, F2), (R4)
	FSTPQ (F1, F3), (R5)
	FSTPQ (F9, F10), (R6)
	FMOVQ F8, (R7)
	RET

// func energyOneSIMD(x *float64, pairs int, d *Doubled, s *DoubledState, w *[2]float64, sum *float64)
TEXT ·energyOneSIMD(SB), NOSPLIT, $0-48
	MOVD x+0(FP), R0
	MOVD pairs+8(FP), R2
	MOVD d+16(FP), R3
	MOVD s+24(FP), R4
	MOVD w+32(FP), R6
	MOVD sum+40(FP), R7
	// A coefficient of the first section and the same of the second.
	FMOVQ 8(R3), F14
	FMOVQ 40(R3), F16
	FMOVQ 72(R3), F18
	FMOVQ 104(R3), F20
	FMOVQ 136(R3), F22
	FMOVQ 168(R3), F24
	FMOVQ 200(R3), F26
	FMOVQ 232(R3), F28
	ADD   $264, R3
	FMOVQ (R3), F30
	FLDPQ (R4), (F0, F1)
	VZIP1 V1.D2, V0.D2, V4.D2
	VZIP2 V1.D2, V0.D2, V5.D2
	FMOVD (R6), F9
	FMOVD 8(R6), F10
	FMOVD (R7), F0
	VDUP  V0.D[0], V8.D2 // the sum of squares is in the upper lane

pairs:
	FMOVQ.P 16(R0), F0
	VZIP1   V9.D2, V0.D2, V3.D2
	VEXT    $8, V10.B16, V0.B16, V13.B16
	PAIR(3, 13, 4, 5, 9, 10, 14, 16, 18, 20, 22, 24, 26, 28, 30)
	FMUL(9, 9, 11)
	FADD(11, 8, 8)
	FMUL(10, 10, 12)
	FADD(12, 8, 8)
	SUBS $1, R2
	BNE  pairs
	VZIP1 V5.D2, V4.D2, V0.D2
	VZIP2 V5.D2, V4.D2, V1.D2
	FSTPQ (F0, F1), (R4)
	FMOVD F9, (R6)
	FMOVD F10, 8(R6)
	VMOV  V8.D[1], R8
	MOVD  R8, (R7)
	RET
