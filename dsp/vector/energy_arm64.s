//go:build !purego

#include "textflag.h"
#include "neon_arm64.h"

// Two frames of three quarters, in x, y and z, times what they leave of a state at the end
// of a quarter, which lies from o bytes after R3 on. V30 and V31 are changed.
#define AHEAD(o, x, y, z, a, b, c) \
	FMOVQ o(R3), F30 \
	FMUL(30, x, 31)  \
	FADD(31, a, a)   \
	FMUL(30, y, 31)  \
	FADD(31, b, b)   \
	FMUL(30, z, 31)  \
	FADD(31, c, c)

// The sums of four numbers each, of four pairs of registers from a on, in V24 and V25.
#define SUMS(a, b, c, d, e, f, g, h) \
	FADDPAIRS(b, a, 24)  \
	FADDPAIRS(d, c, 25)  \
	FADDPAIRS(25, 24, 24) \
	FADDPAIRS(f, e, 25)  \
	FADDPAIRS(h, g, 26)  \
	FADDPAIRS(26, 25, 25)

// func aheadSIMD(x *float64, rows int, left *float64, ahead *[3][4]float64)
TEXT ·aheadSIMD(SB), NOSPLIT, $0-32
	MOVD x+0(FP), R0
	MOVD rows+8(FP), R4
	MOVD left+16(FP), R3
	MOVD ahead+24(FP), R7
	ADD  R4<<3, R0, R1
	ADD  R4<<3, R1, R2
	NOSUMS                       // of the first quarter, two for each state
	VEOR V8.B16, V8.B16, V8.B16  // of the second
	VEOR V9.B16, V9.B16, V9.B16
	VEOR V10.B16, V10.B16, V10.B16
	VEOR V11.B16, V11.B16, V11.B16
	VEOR V12.B16, V12.B16, V12.B16
	VEOR V13.B16, V13.B16, V13.B16
	VEOR V14.B16, V14.B16, V14.B16
	VEOR V15.B16, V15.B16, V15.B16
	VEOR V16.B16, V16.B16, V16.B16 // of the third
	VEOR V17.B16, V17.B16, V17.B16
	VEOR V18.B16, V18.B16, V18.B16
	VEOR V19.B16, V19.B16, V19.B16
	VEOR V20.B16, V20.B16, V20.B16
	VEOR V21.B16, V21.B16, V21.B16
	VEOR V22.B16, V22.B16, V22.B16
	VEOR V23.B16, V23.B16, V23.B16

fours:
	FLDPQ.P 32(R0), (F24, F25)
	FLDPQ.P 32(R1), (F26, F27)
	FLDPQ.P 32(R2), (F28, F29)
	AHEAD(0, 24, 26, 28, 0, 8, 16)
	AHEAD(16, 25, 27, 29, 1, 9, 17)
	AHEAD(1056, 24, 26, 28, 2, 10, 18) // (mostRows + 4) 8
	AHEAD(1072, 25, 27, 29, 3, 11, 19)
	AHEAD(2112, 24, 26, 28, 4, 12, 20)
	AHEAD(2128, 25, 27, 29, 5, 13, 21)
	AHEAD(3168, 24, 26, 28, 6, 14, 22)
	AHEAD(3184, 25, 27, 29, 7, 15, 23)
	ADD  $32, R3
	SUBS $4, R4
	BGT  fours
	SUMS(0, 1, 2, 3, 4, 5, 6, 7)
	FSTPQ.P (F24, F25), 32(R7)
	SUMS(8, 9, 10, 11, 12, 13, 14, 15)
	FSTPQ.P (F24, F25), 32(R7)
	SUMS(16, 17, 18, 19, 20, 21, 22, 23)
	FSTPQ (F24, F25), (R7)
	RET

// A frame of two quarters in x, with sums of squares. Each pair of states is left in the
// other's register; w and t are changed.
#define ROW(x, p1, p2, q1, q2, sum, w, t) \
	FADD(p1, x, w)   \
	FMUL(16, x, t)   \
	FADD(t, p2, p2)  \
	FMUL(18, p1, t)  \
	FSUB(t, p2, p2)  \
	FMUL(17, x, x)   \
	FMUL(19, p1, p1) \
	FSUB(p1, x, p1)  \
	FADD(q1, w, x)   \
	FMUL(20, w, t)   \
	FADD(t, q2, q2)  \
	FMUL(22, q1, t)  \
	FSUB(t, q2, q2)  \
	FMUL(21, w, w)   \
	FMUL(23, q1, q1) \
	FSUB(q1, w, q1)  \
	FMUL(x, x, x)    \
	FADD(x, sum, sum)

#define SWAP(a, b) \
	MOVE(a, 10) \
	MOVE(b, a)  \
	MOVE(10, b)

// func quartersSIMD(x *float64, rows int, k *[8][4]float64, states *[4]QuartersState, sums *[4]float64)
TEXT ·quartersSIMD(SB), NOSPLIT, $0-40
	MOVD x+0(FP), R0
	MOVD rows+8(FP), R4
	MOVD k+16(FP), R3
	MOVD states+24(FP), R5
	MOVD sums+32(FP), R7
	ADD  R4<<3, R0, R1
	ADD  R4<<3, R1, R2
	ADD  R4<<3, R2, R6

	FLDPQ (R5), (F10, F12)
	FLDPQ 32(R5), (F11, F13)
	VZIP1 V11.D2, V10.D2, V0.D2
	VZIP2 V11.D2, V10.D2, V1.D2
	VZIP1 V13.D2, V12.D2, V2.D2
	VZIP2 V13.D2, V12.D2, V3.D2
	FLDPQ 64(R5), (F10, F12)
	FLDPQ 96(R5), (F11, F13)
	VZIP1 V11.D2, V10.D2, V4.D2
	VZIP2 V11.D2, V10.D2, V5.D2
	VZIP1 V13.D2, V12.D2, V6.D2
	VZIP2 V13.D2, V12.D2, V7.D2
	FLDPQ (R7), (F8, F9)
	FMOVQ 0(R3), F16
	FMOVQ 32(R3), F17
	FMOVQ 64(R3), F18
	FMOVQ 96(R3), F19
	FMOVQ 128(R3), F20
	FMOVQ 160(R3), F21
	FMOVQ 192(R3), F22
	FMOVQ 224(R3), F23
	SUBS  $2, R4
	BLT   single

pairs:
	FMOVQ.P 16(R0), F10
	FMOVQ.P 16(R1), F11
	FMOVQ.P 16(R2), F12
	FMOVQ.P 16(R6), F13
	VZIP1   V11.D2, V10.D2, V24.D2
	VZIP2   V11.D2, V10.D2, V25.D2
	VZIP1   V13.D2, V12.D2, V26.D2
	VZIP2   V13.D2, V12.D2, V27.D2
	ROW(24, 0, 1, 2, 3, 8, 28, 29)
	ROW(26, 4, 5, 6, 7, 9, 30, 31)
	ROW(25, 1, 0, 3, 2, 8, 28, 29)
	ROW(27, 5, 4, 7, 6, 9, 30, 31)
	SUBS    $2, R4
	BGE     pairs

single:
	TBZ   $0, R4, store
	FMOVD (R0), F10
	FMOVD (R1), F11
	FMOVD (R2), F12
	FMOVD (R6), F13
	VZIP1 V11.D2, V10.D2, V24.D2
	VZIP1 V13.D2, V12.D2, V26.D2
	ROW(24, 0, 1, 2, 3, 8, 28, 29)
	ROW(26, 4, 5, 6, 7, 9, 30, 31)
	SWAP(0, 1)
	SWAP(2, 3)
	SWAP(4, 5)
	SWAP(6, 7)

store:
	VZIP1 V1.D2, V0.D2, V10.D2
	VZIP2 V1.D2, V0.D2, V11.D2
	VZIP1 V3.D2, V2.D2, V12.D2
	VZIP2 V3.D2, V2.D2, V13.D2
	FSTPQ (F10, F12), (R5)
	FSTPQ (F11, F13), 32(R5)
	VZIP1 V5.D2, V4.D2, V10.D2
	VZIP2 V5.D2, V4.D2, V11.D2
	VZIP1 V7.D2, V6.D2, V12.D2
	VZIP2 V7.D2, V6.D2, V13.D2
	FSTPQ (F10, F12), 64(R5)
	FSTPQ (F11, F13), 96(R5)
	FSTPQ (F8, F9), (R7)
	RET
