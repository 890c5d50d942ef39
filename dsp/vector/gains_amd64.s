//go:build !purego

#include "textflag.h"

DATA magnitude<>+0(SB)/8, $0x7fffffffffffffff
GLOBL magnitude<>(SB), RODATA|NOPTR, $8

// func scaleAVX(to, from *float64, gain float64, cell int, peaks *float64, cells int)
//
// As peaksAVX: the sums in Y2 and Y3 keep a NaN.
TEXT ·scaleAVX(SB), NOSPLIT, $0-48
	MOVQ to+0(FP), DI
	MOVQ from+8(FP), SI
	VBROADCASTSD gain+16(FP), Y14
	MOVQ cell+24(FP), BX
	MOVQ peaks+32(FP), R8
	MOVQ cells+40(FP), CX
	VBROADCASTSD magnitude<>(SB), Y15
	SHRQ $3, BX

cells:
	VXORPD Y0, Y0, Y0
	VXORPD Y1, Y1, Y1
	VXORPD Y2, Y2, Y2
	VXORPD Y3, Y3, Y3
	MOVQ   BX, DX

frames:
	VMULPD  (SI), Y14, Y4
	VMULPD  32(SI), Y14, Y5
	VMOVUPD Y4, (DI)
	VMOVUPD Y5, 32(DI)
	VANDPD  Y15, Y4, Y4
	VANDPD  Y15, Y5, Y5
	VMAXPD  Y4, Y0, Y0
	VMAXPD  Y5, Y1, Y1
	VADDPD  Y4, Y2, Y2
	VADDPD  Y5, Y3, Y3
	ADDQ    $64, SI
	ADDQ    $64, DI
	DECQ    DX
	JNZ     frames
	VMAXPD       Y1, Y0, Y0
	VADDPD       Y3, Y2, Y2
	VEXTRACTF128 $1, Y0, X1
	VEXTRACTF128 $1, Y2, X3
	VMAXPD       X1, X0, X0
	VADDPD       X3, X2, X2
	VUNPCKHPD    X0, X0, X1
	VUNPCKHPD    X2, X2, X3
	VMAXSD       X1, X0, X0
	VADDSD       X3, X2, X2
	VCMPSD       $3, X2, X2, X2
	VORPD        X2, X0, X0
	VMOVSD       X0, (R8)
	ADDQ         $8, R8
	DECQ         CX
	JNZ          cells
	VZEROUPPER
	RET

// func multiplyAVX(to, a, b *float64, frames int)
TEXT ·multiplyAVX(SB), NOSPLIT, $0-32
	MOVQ to+0(FP), DI
	MOVQ a+8(FP), SI
	MOVQ b+16(FP), BX
	MOVQ frames+24(FP), CX
	SHRQ $2, CX

fours:
	VMOVUPD (SI), Y0
	VMULPD  (BX), Y0, Y0
	VMOVUPD Y0, (DI)
	ADDQ    $32, SI
	ADDQ    $32, BX
	ADDQ    $32, DI
	DECQ    CX
	JNZ     fours
	VZEROUPPER
	RET
