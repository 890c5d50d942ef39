//go:build !purego

#include "textflag.h"

// Four gains at a time: the offsets one after the other, the rest side by side.
// k: goal, toSteps, mask, and the coefficients of the series.
//
// func approachAVX2(gain *float64, fours int, off, pole float64, k *[6]uint64, table *uint64) float64
TEXT ·approachAVX2(SB), NOSPLIT, $0-56
	MOVQ gain+0(FP), DI
	MOVQ fours+8(FP), CX
	VMOVSD off+16(FP), X0
	VMOVSD pole+24(FP), X1
	MOVQ k+32(FP), BX
	MOVQ table+40(FP), R8
	VBROADCASTSD 0(BX), Y8
	VBROADCASTSD 8(BX), Y9
	VBROADCASTSD 16(BX), Y10
	VBROADCASTSD 24(BX), Y11
	VBROADCASTSD 32(BX), Y12
	VBROADCASTSD 40(BX), Y13
approach:
	VMULSD X1, X0, X2
	VMULSD X1, X2, X3
	VMULSD X1, X3, X4
	VMULSD X1, X4, X0
	VUNPCKLPD X3, X2, X2
	VUNPCKLPD X0, X4, X4
	VINSERTF128 $1, X4, Y2, Y2
	VADDPD Y8, Y2, Y2       // x
	VADDPD Y9, Y2, Y3       // whole
	VPAND  Y10, Y3, Y4      // index
	VPCMPEQD Y6, Y6, Y6
	VGATHERQPD Y6, (R8)(Y4*8), Y5
	VPSRLQ $9, Y3, Y4
	VPSLLQ $52, Y4, Y4
	VPADDQ Y4, Y5, Y5       // base
	VSUBPD Y9, Y3, Y3
	VSUBPD Y3, Y2, Y2       // r
	VMULPD Y13, Y2, Y3
	VADDPD Y12, Y3, Y3
	VMULPD Y2, Y3, Y3
	VADDPD Y11, Y3, Y3
	VMULPD Y2, Y3, Y3       // p
	VMULPD Y5, Y3, Y3
	VADDPD Y5, Y3, Y3
	VMOVUPD Y3, (DI)
	ADDQ $32, DI
	DECQ CX
	JNZ  approach
	VMOVSD X0, ret+48(FP)
	VZEROUPPER
	RET
