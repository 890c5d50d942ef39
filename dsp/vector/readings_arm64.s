//go:build !purego

#include "textflag.h"
#include "neon_arm64.h"

// The samples of a tap in four successive windows: V20 and V21 are the sums and V22 and
// V23 the differences of those at its distance, at R3 and R4.
#define SAMPLES \
	FLDPQ (R3), (F16, F17) \
	FLDPQ (R4), (F18, F19) \
	FADD(18, 16, 20)       \
	FADD(19, 17, 21)       \
	FSUB(18, 16, 22)       \
	FSUB(19, 17, 23)

// func readingsSIMD(taps *[4]float64, half, groups int, x, out *float64, fours int)
TEXT ·readingsSIMD(SB), NOSPLIT, $0-48
	MOVD taps+0(FP), R0
	MOVD half+8(FP), R1
	MOVD groups+16(FP), R2
	MOVD x+24(FP), R5
	MOVD out+32(FP), R6
	MOVD fours+40(FP), R7
	ADD  R1<<3, R5, R9 // the sample behind the middle of the first interval
	SUB  $8, R9, R8    // and the one before it

windows:
	VEOR V14.B16, V14.B16, V14.B16 // the largest so far
	VEOR V15.B16, V15.B16, V15.B16
	MOVD R0, R10
	MOVD R2, R11

groups:
	MOVD R8, R3
	MOVD R9, R4
	MOVD R1, R12
	// e0, o0, e1, o1 of two windows, then of two more.
	NOSUMS

taps:
	FLDPQ.P 32(R10), (F24, F25)
	SAMPLES
	FMULLOWER(24, 20, 26)
	FMULUPPER(24, 22, 27)
	FMULLOWER(25, 20, 28)
	FMULUPPER(25, 22, 29)
	FADD(26, 0, 0)
	FADD(27, 1, 1)
	FADD(28, 2, 2)
	FADD(29, 3, 3)
	FMULLOWER(24, 21, 26)
	FMULUPPER(24, 23, 27)
	FMULLOWER(25, 21, 28)
	FMULUPPER(25, 23, 29)
	FADD(26, 4, 4)
	FADD(27, 5, 5)
	FADD(28, 6, 6)
	FADD(29, 7, 7)
	SUB  $8, R3
	ADD  $8, R4
	SUBS $1, R12
	BNE  taps
	FABS(0, 0)
	FABS(1, 1)
	FABS(2, 2)
	FABS(3, 3)
	FABS(4, 4)
	FABS(5, 5)
	FABS(6, 6)
	FABS(7, 7)
	FADD(1, 0, 0)
	FADD(3, 2, 2)
	FADD(5, 4, 4)
	FADD(7, 6, 6)
	FMAXNUMBER(14, 0, 14)
	FMAXNUMBER(15, 4, 15)
	FMAXNUMBER(14, 2, 14)
	FMAXNUMBER(15, 6, 15)
	SUBS $1, R11
	BNE  groups
	FSTPQ.P (F14, F15), 32(R6)
	ADD  $32, R8
	ADD  $32, R9
	SUBS $1, R7
	BNE  windows
	RET

// A tap in two windows whose samples are in n and m: their bounds in e and o, with the
// tap's magnitudes in V24.
#define BOUND(n, m, e, o) \
	FADD(m, n, 20)        \
	FABD(m, n, 21)        \
	FABS(20, 20)          \
	FMULUPPER(24, 21, 21) \
	FMULLOWER(24, 20, 20) \
	FADD(21, o, o)        \
	FADD(20, e, e)

// The same in eight windows.
#define BOUNDS \
	FMOVQ.P 16(R10), F24      \
	FLDPQ   (R3), (F16, F17)  \
	FLDPQ   (R4), (F18, F19)  \
	BOUND(16, 18, 0, 1)       \
	BOUND(17, 19, 2, 3)       \
	FLDPQ   32(R3), (F16, F17) \
	FLDPQ   32(R4), (F18, F19) \
	BOUND(16, 18, 4, 5)       \
	BOUND(17, 19, 6, 7)       \
	SUB     $8, R3            \
	ADD     $8, R4

#define EVENANDODD \
	FADD(1, 0, 26) \
	FADD(3, 2, 27) \
	FADD(5, 4, 28) \
	FADD(7, 6, 29)

// func boundsSIMD(most *[2]float64, near, half int, x, out *float64, eights int, enough float64)
TEXT ·boundsSIMD(SB), NOSPLIT, $0-56
	MOVD  most+0(FP), R0
	MOVD  near+8(FP), R2
	MOVD  half+16(FP), R1
	MOVD  x+24(FP), R5
	MOVD  out+32(FP), R6
	MOVD  eights+40(FP), R7
	FMOVD enough+48(FP), F25
	ADD   R1<<3, R5, R9
	SUB   $8, R9, R8
	SUB   R2, R1

windows:
	MOVD R0, R10
	MOVD R8, R3
	MOVD R9, R4
	MOVD R2, R12
	NOSUMS

near:
	BOUNDS
	SUBS $1, R12
	BNE  near
	EVENANDODD
	FMAX(27, 26, 30)
	FMAX(29, 28, 31)
	FMAX(31, 30, 30)
	FMAXPAIRS(30, 30, 30)
	FCMPD F25, F30
	BLS   store // at most: not of a NaN
	MOVD  R1, R12

taps:
	BOUNDS
	SUBS $1, R12
	BNE  taps
	EVENANDODD

store:
	FSTPQ.P (F26, F27), 32(R6)
	FSTPQ.P (F28, F29), 32(R6)
	ADD  $64, R8
	ADD  $64, R9
	SUBS $1, R7
	BNE  windows
	RET
