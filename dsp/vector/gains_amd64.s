//go:build !purego

#include "textflag.h"
#include "extremes_amd64.h"

// func scaleAVX(to, from *float64, gain float64, cell int, peaks *float64, cells int)
TEXT ·scaleAVX(SB), NOSPLIT, $0-48
	MOVQ to+0(FP), DI
	MOVQ from+8(FP), SI
	VBROADCASTSD gain+16(FP), Y14
	MOVQ cell+24(FP), BX
	MOVQ peaks+32(FP), R8
	MOVQ cells+40(FP), CX
	VBROADCASTSD ·withoutSign(SB), Y15
	SHRQ $3, BX

cells:
	NOEXTREMES
	MOVQ   BX, DX

frames:
	VMULPD  (SI), Y14, Y4
	VMULPD  32(SI), Y14, Y5
	VMOVUPD Y4, (DI)
	VMOVUPD Y5, 32(DI)
	VANDPD  Y15, Y4, Y4
	VANDPD  Y15, Y5, Y5
	EXTREMES
	ADDQ    $64, SI
	ADDQ    $64, DI
	DECQ    DX
	JNZ     frames
	LARGEST
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
