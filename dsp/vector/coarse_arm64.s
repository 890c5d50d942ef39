//go:build !purego

#include "textflag.h"
#include "neon_arm64.h"

// Products of two taps, numbers k and k+1 of V8, with the first samples in f and the second
// ones in s of eight windows, added to two sums.
#define PRODUCTS(k, f, s, a, b) \
	SMLAL(k, 8, f, a)        \
	SMLALUPPER(k, 8, f, b)   \
	SMLAL(k+1, 8, s, a)      \
	SMLALUPPER(k+1, 8, s, b)

// func coarseSIMD(taps *[4][2]int16, half, groups int, late, early *uint32, step int, out *int32, times, apart int)
TEXT ·coarseSIMD(SB), NOSPLIT, $0-72
	MOVD taps+0(FP), R0
	MOVD half+8(FP), R1
	MOVD groups+16(FP), R2
	MOVD late+24(FP), R3
	MOVD early+32(FP), R4
	MOVD step+40(FP), R12 // bytes between two taps
	MOVD out+48(FP), R5
	MOVD times+56(FP), R13
	MOVD apart+64(FP), R14 // bytes between 16 windows and the next 16
	SUB  $64, R14

sixteens:
	MOVD $2, R6 // eight windows at a time

windows:
	VEOR V24.B16, V24.B16, V24.B16 // the largest so far
	VEOR V25.B16, V25.B16, V25.B16
	MOVD R0, R7
	MOVD R2, R8

groups:
	NOSUMS
	MOVD R3, R9
	MOVD R4, R10
	MOVD R1, R11

taps:
	VLD1.P 16(R7), [V8.H8]
	VLD2   (R9), [V16.H8, V17.H8]  // by distance: late
	VLD2   (R10), [V18.H8, V19.H8] // and early
	VADD   V16.H8, V18.H8, V20.H8
	VADD   V17.H8, V19.H8, V21.H8
	VSUB   V16.H8, V18.H8, V22.H8
	VSUB   V17.H8, V19.H8, V23.H8
	PRODUCTS(0, 20, 21, 0, 1)
	PRODUCTS(2, 22, 23, 2, 3)
	PRODUCTS(4, 20, 21, 4, 5)
	PRODUCTS(6, 22, 23, 6, 7)
	ADD    R12, R9
	SUB    R12, R10
	SUBS   $1, R11
	BNE    taps

	ABSWORDS(0, 0)
	ABSWORDS(1, 1)
	ABSWORDS(2, 2)
	ABSWORDS(3, 3)
	ABSWORDS(4, 4)
	ABSWORDS(5, 5)
	ABSWORDS(6, 6)
	ABSWORDS(7, 7)
	VADD V2.S4, V0.S4, V0.S4
	VADD V3.S4, V1.S4, V1.S4
	VADD V6.S4, V4.S4, V4.S4
	VADD V7.S4, V5.S4, V5.S4
	MAXWORDS(0, 24, 24)
	MAXWORDS(1, 25, 25)
	MAXWORDS(4, 24, 24)
	MAXWORDS(5, 25, 25)
	SUBS $1, R8
	BNE  groups
	VST1.P [V24.S4, V25.S4], 32(R5)
	ADD  $32, R3
	ADD  $32, R4
	SUBS $1, R6
	BNE  windows
	ADD  R14, R3
	ADD  R14, R4
	SUBS $1, R13
	BNE  sixteens
	RET

// The sums of both sides of eight windows, in V20 and V21 by distance.
#define SIDES \
	VLD2 (R9), [V16.H8, V17.H8]  \
	VLD2 (R10), [V18.H8, V19.H8] \
	ADD  $8, R9                  \
	SUB  $8, R10                 \
	VADD V16.H8, V18.H8, V20.H8  \
	VADD V17.H8, V19.H8, V21.H8

// Of four sums it stores their magnitudes, and rounded they are the middles: sample and middle,
// the same swapped, middle and next sample, the same swapped.
#define STORE(n, sum) \
	ABSWORDS(n, 4)                  \
	VST1.P [V4.S4], 16(R20)         \
	VADD   V30.S4, sum, V5.S4       \
	VUSHR  $15, V5.S4, V5.S4        \
	VSHL   $16, V5.S4, V6.S4        \
	VLD1   (R14), [V16.S4]          \
	VLD1.P 16(R14), [V17.S4]        \
	VLD1   (R15), [V18.S4]          \
	VLD1.P 16(R15), [V19.S4]        \
	VSLI   $16, V5.S4, V16.S4       \
	VSRI   $16, V6.S4, V18.S4       \
	VSRI   $16, V6.S4, V17.S4       \
	VSLI   $16, V5.S4, V19.S4       \
	VST1.P [V16.S4], 16(R16)        \
	VST1.P [V18.S4], 16(R17)        \
	VST1.P [V17.S4], 16(R19)        \
	VST1.P [V19.S4], 16(R21)

// func middlesSIMD(taps *[2]int16, fours int, late, early *uint32, to *middlesTo)
TEXT ·middlesSIMD(SB), NOSPLIT, $0-40
	MOVD taps+0(FP), R0
	MOVD fours+8(FP), R1
	MOVD late+16(FP), R3
	MOVD early+24(FP), R4
	MOVD to+32(FP), R5
	MOVD 0(R5), R14  // this sample and the next one
	MOVD 8(R5), R15  // the same swapped
	MOVD 16(R5), R16
	MOVD 24(R5), R17
	MOVD 32(R5), R19
	MOVD 40(R5), R21
	MOVD 48(R5), R20
	MOVD $(1<<14), R6
	VDUP R6, V30.S4
	MOVD $2, R6 // eight windows at a time

windows:
	NOSUMS
	MOVD R0, R7
	MOVD R3, R9
	MOVD R4, R10
	MOVD R1, R11

taps:
	VLD1.P 8(R7), [V8.H4]
	SIDES
	PRODUCTS(0, 20, 21, 0, 1)
	SIDES
	PRODUCTS(2, 20, 21, 2, 3)
	SUBS   $1, R11
	BNE    taps

	VADD V2.S4, V0.S4, V0.S4
	VADD V3.S4, V1.S4, V1.S4
	STORE(0, V0.S4)
	STORE(1, V1.S4)
	ADD  $32, R3
	ADD  $32, R4
	SUBS $1, R6
	BNE  windows
	RET
