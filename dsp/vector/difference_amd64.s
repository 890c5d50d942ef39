//go:build !purego

#include "textflag.h"

// func differenceAVX(x, y, e *float64, gain float64, fours int, l *differing)
TEXT ·differenceAVX(SB), NOSPLIT, $0-48
	MOVQ x+0(FP), SI
	MOVQ y+8(FP), DI
	MOVQ e+16(FP), R8
	VBROADCASTSD gain+24(FP), Y14
	MOVQ fours+32(FP), CX
	MOVQ l+40(FP), DX
	VBROADCASTSD ·withoutSign(SB), Y15
	VXORPD Y0, Y0, Y0 // xx
	VXORPD Y1, Y1, Y1 // yy
	VXORPD Y2, Y2, Y2 // ee
	VXORPD Y3, Y3, Y3 // xy
	VXORPD Y4, Y4, Y4 // x
	VXORPD Y5, Y5, Y5 // y
	VXORPD Y6, Y6, Y6 // most of y
	VXORPD Y7, Y7, Y7 // most of e
	XORQ   AX, AX     // changed
	XORQ   R9, R9

loop:
	VMOVUPD   (SI)(R9*1), Y8
	VMOVUPD   (DI)(R9*1), Y9
	VCMPPD    $4, Y9, Y8, Y10
	VMOVMSKPD Y10, BX
	POPCNTQ   BX, BX
	ADDQ      BX, AX
	VMULPD    Y14, Y9, Y9
	VSUBPD    Y8, Y9, Y10
	VMOVUPD   Y9, (DI)(R9*1)
	VMOVUPD   Y10, (R8)(R9*1)
	VMULPD    Y8, Y8, Y11
	VADDPD    Y11, Y0, Y0
	VMULPD    Y9, Y9, Y12
	VADDPD    Y12, Y1, Y1
	VMULPD    Y10, Y10, Y13
	VADDPD    Y13, Y2, Y2
	VMULPD    Y9, Y8, Y11
	VADDPD    Y11, Y3, Y3
	VADDPD    Y8, Y4, Y4
	VADDPD    Y9, Y5, Y5
	VANDPD    Y15, Y9, Y9
	VMAXPD    Y6, Y9, Y6
	VANDPD    Y15, Y10, Y10
	VMAXPD    Y7, Y10, Y7
	ADDQ      $32, R9
	DECQ      CX
	JNZ       loop

	VMOVUPD Y0, (DX)
	VMOVUPD Y1, 32(DX)
	VMOVUPD Y2, 64(DX)
	VMOVUPD Y3, 96(DX)
	VMOVUPD Y4, 128(DX)
	VMOVUPD Y5, 160(DX)
	VMOVUPD Y6, 192(DX)
	VMOVUPD Y7, 224(DX)
	MOVQ    AX, 256(DX)
	VZEROUPPER
	RET
