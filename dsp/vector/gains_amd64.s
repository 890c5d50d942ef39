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

// func multiplyScaledAVX(x, gain *float64, factor float64, fours int)
TEXT ·multiplyScaledAVX(SB), NOSPLIT, $0-32
	MOVQ x+0(FP), DI
	MOVQ gain+8(FP), SI
	VBROADCASTSD factor+16(FP), Y7
	MOVQ fours+24(FP), CX
scaled:
	VMULPD  (SI), Y7, Y0
	VMULPD  (DI), Y0, Y0
	VMOVUPD Y0, (DI)
	ADDQ    $32, SI
	ADDQ    $32, DI
	DECQ    CX
	JNZ     scaled
	VZEROUPPER
	RET

// The smaller of two is the second where one is NaN: gains come first, so that NaN
// changes nothing, as in Go.
//
// func lowestAVX(gain *float64, fours int, lowest float64) float64
TEXT ·lowestAVX(SB), NOSPLIT, $0-32
	MOVQ gain+0(FP), SI
	MOVQ fours+8(FP), CX
	VBROADCASTSD lowest+16(FP), Y0
least:
	VMOVUPD (SI), Y1
	VMINPD Y0, Y1, Y0
	ADDQ   $32, SI
	DECQ   CX
	JNZ    least
	VEXTRACTF128 $1, Y0, X1
	VMINPD    X1, X0, X0
	VPERMILPD $1, X0, X1
	VMINSD    X1, X0, X0
	VMOVSD    X0, ret+24(FP)
	VZEROUPPER
	RET
