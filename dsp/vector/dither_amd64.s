//go:build !purego

#include "textflag.h"

// Four numbers of the sequence at a time; products of 64 bits are made of those of 32.
// k: 4C, M1 low, M1 high, M2 low, M2 high, mask, 2^52, 2^-32, and C 2C 3C 4C.
//
// func ditherAVX2(to, x *float64, scale float64, state *uint64, fours int, k *[12]uint64)
TEXT ·ditherAVX2(SB), NOSPLIT, $0-48
	MOVQ to+0(FP), DI
	MOVQ x+8(FP), SI
	VBROADCASTSD scale+16(FP), Y7
	MOVQ state+24(FP), R8
	MOVQ fours+32(FP), CX
	MOVQ k+40(FP), BX
	VPBROADCASTQ (R8), Y0
	VPADDQ       64(BX), Y0, Y0
	VPBROADCASTQ 0(BX), Y8
	VPBROADCASTQ 8(BX), Y9
	VPBROADCASTQ 16(BX), Y10
	VPBROADCASTQ 24(BX), Y11
	VPBROADCASTQ 32(BX), Y12
	VPBROADCASTQ 40(BX), Y13
	VPBROADCASTQ 48(BX), Y14
	VPBROADCASTQ 56(BX), Y15
dither:
	VPSRLQ   $30, Y0, Y1
	VPXOR    Y0, Y1, Y1
	VPADDQ   Y8, Y0, Y0
	VPSRLQ   $32, Y1, Y2
	VPMULUDQ Y9, Y2, Y2
	VPMULUDQ Y10, Y1, Y3
	VPMULUDQ Y9, Y1, Y1
	VPADDQ   Y3, Y2, Y2
	VPSLLQ   $32, Y2, Y2
	VPADDQ   Y2, Y1, Y1
	VPSRLQ   $27, Y1, Y2
	VPXOR    Y2, Y1, Y1
	VPSRLQ   $32, Y1, Y2
	VPMULUDQ Y11, Y2, Y2
	VPMULUDQ Y12, Y1, Y3
	VPMULUDQ Y11, Y1, Y1
	VPADDQ   Y3, Y2, Y2
	VPSLLQ   $32, Y2, Y2
	VPADDQ   Y2, Y1, Y1
	VPSRLQ   $31, Y1, Y2
	VPXOR    Y2, Y1, Y1
	VPSRLQ   $32, Y1, Y2
	VPAND    Y13, Y1, Y1
	VPOR     Y14, Y2, Y2
	VPOR     Y14, Y1, Y1
	VSUBPD   Y1, Y2, Y2
	VMULPD   Y15, Y2, Y2
	VMULPD   (SI), Y7, Y3
	VADDPD   Y2, Y3, Y3
	VMOVUPD  Y3, (DI)
	ADDQ     $32, SI
	ADDQ     $32, DI
	DECQ     CX
	JNZ      dither
	VPSUBQ   64(BX), Y0, Y0
	VMOVQ    X0, (R8)
	VZEROUPPER
	RET
