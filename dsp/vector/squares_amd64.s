//go:build !purego

#include "textflag.h"

// func squaresAVX(x *float64, fours int, sums *[4]float64)
TEXT ·squaresAVX(SB), NOSPLIT, $0-24
	MOVQ x+0(FP), SI
	MOVQ fours+8(FP), CX
	MOVQ sums+16(FP), DI
	VXORPD Y0, Y0, Y0

loop:
	VMOVUPD (SI), Y1
	VMULPD  Y1, Y1, Y1
	VADDPD  Y1, Y0, Y0
	ADDQ    $32, SI
	DECQ    CX
	JNZ     loop
	VMOVUPD Y0, (DI)
	VZEROUPPER
	RET
