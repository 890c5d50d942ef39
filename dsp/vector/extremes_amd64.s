//go:build !purego

#include "textflag.h"
#include "extremes_amd64.h"

// The bits of a float's magnitude.
DATA ·withoutSign+0(SB)/8, $0x7fffffffffffffff
GLOBL ·withoutSign(SB), RODATA|NOPTR, $8

// func peaksSIMD(x *float64, cell int, out *float64, cells int)
TEXT ·peaksSIMD(SB), NOSPLIT, $0-32
	MOVQ x+0(FP), SI
	MOVQ cell+8(FP), BX
	MOVQ out+16(FP), DI
	MOVQ cells+24(FP), CX
	VBROADCASTSD ·withoutSign(SB), Y15
	SHRQ $3, BX

cells:
	NOEXTREMES
	MOVQ   BX, DX

frames:
	VANDPD (SI), Y15, Y4
	VANDPD 32(SI), Y15, Y5
	EXTREMES
	ADDQ   $64, SI
	DECQ   DX
	JNZ    frames
	LARGEST
	VMOVSD       X0, (DI)
	ADDQ         $8, DI
	DECQ         CX
	JNZ          cells
	VZEROUPPER
	RET

// func curvatureSIMD(x *float64, differences int) float64
TEXT ·curvatureSIMD(SB), NOSPLIT, $0-24
	MOVQ x+0(FP), SI
	MOVQ differences+8(FP), CX
	VBROADCASTSD ·withoutSign(SB), Y15
	VXORPD Y0, Y0, Y0
	SHRQ   $2, CX

fours:
	VMOVUPD 8(SI), Y1
	VMOVUPD 16(SI), Y2
	VSUBPD  Y1, Y2, Y2     // now
	VSUBPD  (SI), Y1, Y1   // before
	VSUBPD  Y1, Y2, Y2
	VANDPD  Y15, Y2, Y2
	VMAXPD  Y2, Y0, Y0
	ADDQ    $32, SI
	DECQ    CX
	JNZ     fours
	VEXTRACTF128 $1, Y0, X1
	VMAXPD       X1, X0, X0
	VUNPCKHPD    X0, X0, X1
	VMAXSD       X1, X0, X0
	VMOVSD       X0, ret+16(FP)
	VZEROUPPER
	RET
