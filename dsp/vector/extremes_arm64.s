//go:build !purego

#include "textflag.h"
#include "neon_arm64.h"

// func peaksSIMD(x *float64, cell int, out *float64, cells int)
TEXT ·peaksSIMD(SB), NOSPLIT, $0-32
	MOVD x+0(FP), R0
	MOVD cell+8(FP), R1
	MOVD out+16(FP), R2
	MOVD cells+24(FP), R3
	LSR  $3, R1

cells:
	VEOR V0.B16, V0.B16, V0.B16
	VEOR V1.B16, V1.B16, V1.B16
	VEOR V2.B16, V2.B16, V2.B16
	VEOR V3.B16, V3.B16, V3.B16
	MOVD R1, R4

frames:
	FLDPQ.P 32(R0), (F4, F5)
	FLDPQ.P 32(R0), (F6, F7)
	FABS(4, 4)
	FABS(5, 5)
	FABS(6, 6)
	FABS(7, 7)
	FMAX(4, 0, 0)
	FMAX(5, 1, 1)
	FMAX(6, 2, 2)
	FMAX(7, 3, 3)
	SUBS $1, R4
	BNE  frames
	FMAX(1, 0, 0)
	FMAX(3, 2, 2)
	FMAX(2, 0, 0)
	FMAXPAIRS(0, 0, 0)
	FMOVD.P F0, 8(R2)
	SUBS $1, R3
	BNE  cells
	RET

// func curvatureSIMD(x *float64, differences int) float64
TEXT ·curvatureSIMD(SB), NOSPLIT, $0-24
	MOVD x+0(FP), R0
	MOVD differences+8(FP), R1
	ADD  $8, R0, R2
	LSR  $2, R1
	VEOR V0.B16, V0.B16, V0.B16
	VEOR V1.B16, V1.B16, V1.B16

fours:
	FLDPQ   16(R0), (F4, F5)
	FLDPQ.P 32(R0), (F2, F3)
	FLDPQ.P 32(R2), (F6, F7)
	FSUB(6, 4, 4) // the later step
	FSUB(7, 5, 5)
	FSUB(2, 6, 6) // the one before
	FSUB(3, 7, 7)
	FABD(6, 4, 4)
	FABD(7, 5, 5)
	FMAXNUMBER(4, 0, 0)
	FMAXNUMBER(5, 1, 1)
	SUBS $1, R1
	BNE  fours
	FMAXNUMBER(1, 0, 0)
	FMAXPAIRS(0, 0, 0)
	FMOVD F0, ret+16(FP)
	RET
