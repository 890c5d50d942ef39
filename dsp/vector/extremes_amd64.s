//go:build !purego

#include "textflag.h"

DATA magnitude<>+0(SB)/8, $0x7fffffffffffffff
GLOBL magnitude<>(SB), RODATA|NOPTR, $8

// func peaksAVX(x *float64, cell int, out *float64, cells int)
//
// The largest magnitudes are in Y0 and Y1, whose maximum would lose a NaN; their sum
// in Y2 and Y3 does not.
TEXT ·peaksAVX(SB), NOSPLIT, $0-32
	MOVQ x+0(FP), SI
	MOVQ cell+8(FP), BX
	MOVQ out+16(FP), DI
	MOVQ cells+24(FP), CX
	VBROADCASTSD magnitude<>(SB), Y15
	SHRQ $3, BX

cells:
	VXORPD Y0, Y0, Y0
	VXORPD Y1, Y1, Y1
	VXORPD Y2, Y2, Y2
	VXORPD Y3, Y3, Y3
	MOVQ   BX, DX

frames:
	VANDPD (SI), Y15, Y4
	VANDPD 32(SI), Y15, Y5
	VMAXPD Y4, Y0, Y0
	VMAXPD Y5, Y1, Y1
	VADDPD Y4, Y2, Y2
	VADDPD Y5, Y3, Y3
	ADDQ   $64, SI
	DECQ   DX
	JNZ    frames
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
	VCMPSD       $3, X2, X2, X2 // all ones, a NaN, if the sum is NaN
	VORPD        X2, X0, X0
	VMOVSD       X0, (DI)
	ADDQ         $8, DI
	DECQ         CX
	JNZ          cells
	VZEROUPPER
	RET

// func bendAVX(x *float64, differences int) float64
TEXT ·bendAVX(SB), NOSPLIT, $0-24
	MOVQ x+0(FP), SI
	MOVQ differences+8(FP), CX
	VBROADCASTSD magnitude<>(SB), Y15
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
